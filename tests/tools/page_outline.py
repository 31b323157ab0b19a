"""What a page holds, as a test asks for it: tags in order with their attributes, headings, and text."""

from html.parser import HTMLParser

ADDRESSES = ("href", "src", "srcset", "action", "poster", "data", "xlink:href")
VOID = {"meta", "link", "img", "br", "hr", "source", "input", "wbr", "col", "track"}


class Outline(HTMLParser):
    """Tags with their attributes, headings and text of a page; a tag that is closed out of order fails.

    `text` is all but styles and scripts, `prose` what stands outside of code and title as well.
    """

    def __init__(self, page):
        super().__init__()
        self.tags, self.headings, self.prose, self.open = [], [], [], []
        self.text = self.title = ""
        self.feed(page)
        self.close()

    def handle_starttag(self, tag, attributes):
        self.tags.append((tag, dict(attributes)))
        if tag not in VOID:
            self.open.append(tag)
        if tag[0] == "h" and tag[1:].isdigit():
            self.headings.append((int(tag[1:]), ""))

    def handle_startendtag(self, tag, attributes):
        self.handle_starttag(tag, attributes)
        if tag not in VOID:
            self.open.pop()

    def handle_endtag(self, tag):
        assert self.open and self.open[-1] == tag, f"</{tag}> closes {self.open[-3:]}"
        self.open.pop()

    def handle_data(self, data):
        if {"h1", "h2", "h3", "h4"} & set(self.open):
            level, words = self.headings[-1]
            self.headings[-1] = (level, words + data)
        if self.open[-1:] == ["title"]:
            self.title += data
        if self.open[-1:] not in (["style"], ["script"]):
            self.text += data
        if not {"pre", "code", "style", "script", "title"} & set(self.open):
            self.prose.append(data)

    def all(self, tag):
        """Attributes of each element of a kind."""
        return [attributes for name, attributes in self.tags if name == tag]

    @property
    def ids(self):
        """Every id, as often as it stands there."""
        return [attributes["id"] for _, attributes in self.tags if "id" in attributes]

    @property
    def addresses(self):
        """Every address that the page links or loads."""
        return [given[key] for _, given in self.tags for key in ADDRESSES if given.get(key)]

    @property
    def loads(self):
        """Schemes of all that the page would fetch or lead to; nothing for places on the page itself."""
        return {address.split(":")[0] for address in self.addresses if address[0] != "#"}

    @property
    def runs(self):
        """What could run: scripts, and attributes that hold some."""
        return self.all("script") + [a for _, a in self.tags if any(name.startswith("on") for name in a)]
