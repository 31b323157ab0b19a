"""The playable tape: what moves and sounds in a page, in plain JavaScript, and how it comes there.

`facts` says what there is to know of a machine, `modules` joins the scripts into one text, `pages` writes a
page that stands alone, and `widget` shows the same in a notebook.
"""
