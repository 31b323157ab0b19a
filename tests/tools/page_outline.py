"""What a page holds, as a test asks for it: tags in order with their attributes, and text."""

from html.parser import HTMLParser

VOID = ("meta", "img", "source", "br", "link")


class Outline(HTMLParser):
    """Tags with their attributes and all text of a page; a tag that is closed out of order fails."""

    def __init__(self, page):
        super().__init__()
        self.tags, self.text, self.open = [], "", []
        self.feed(page)
        self.close()

    def handle_starttag(self, tag, attributes):
        self.tags.append((tag, dict(attributes)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag, f"{tag} closed out of order"

    def handle_data(self, data):
        if self.open[-1:] != ["style"]:
            self.text += data

    def all(self, tag):
        return [attributes for name, attributes in self.tags if name == tag]

    @property
    def loads(self):
        """Schemes of all that the page would fetch or lead to; nothing for places on the page itself."""
        given = [a.get(name) or "" for _, a in self.tags for name in ("src", "srcset", "href")]
        return {address.split(":")[0] for address in given if address and address[0] != "#"}

    @property
    def runs(self):
        """What could run: scripts, and attributes that hold some."""
        return self.all("script") + [a for _, a in self.tags if any(name.startswith("on") for name in a)]
