"""Whether a page or picture runs something or loads something from elsewhere.

Names in machine files and cells of notebooks are written by anybody; what becomes of them is read again
as a browser would. The pages' content policy is the second wall.
"""

import re
from html.parser import HTMLParser

#: Tags that run, frame or send something, or change where addresses lead.
ACTIVE = {"script", "iframe", "frame", "object", "embed", "applet", "link", "form", "base", "foreignobject"}
ADDRESSES = {"src", "srcset", "href", "xlink:href", "data", "action", "formaction", "poster", "background"}
SCHEME = re.compile(r"[a-z][a-z0-9+.-]*:|//", re.IGNORECASE)
#: What the site's own template has of that kind.
SITE = {
    ("script", "src", "panels.js"),
    ("script", "type", "application/json"),
    *(("link", "rel", rel) for rel in ("icon", "stylesheet", "prev", "next")),
}


class _Reader(HTMLParser):
    """Collects what is wrong with a page."""

    def __init__(self, *, site):
        super().__init__()
        self.site, self.found = site, []

    def handle_starttag(self, tag, attributes):
        allowed = self.site and any((tag, *attribute) in SITE for attribute in attributes)
        if tag in ACTIVE and not allowed:
            self.found.append(f"<{tag}>")
        for name, value in attributes:
            if name.startswith("on"):
                self.found.append(f"<{tag}> with a handler {name}")
            if name == "http-equiv" and value != "Content-Security-Policy":
                self.found.append(f"<{tag}> with {name} {value}")
            if name in ADDRESSES and not self.harmless(tag, name, re.sub(r"[\x00-\x20]", "", value or "")):
                self.found.append(f"<{tag}> with {name} {value[:60]!r}")

    def harmless(self, tag, name, address):
        """Whether an address loads nothing from elsewhere and runs nothing."""
        if not SCHEME.match(address):
            return (
                self.site
                or address.startswith("#")
                or (tag == "a" and re.fullmatch(r"[a-z_]+\.[a-z]+", address))
            )
        if tag == "a" and self.site:
            return address.lower().startswith(("https:", "http:", "mailto:"))
        return address.startswith("data:") and tag != "a"


def harm_in(page, *, site=False):
    """What a page or picture must not have, in words; pages of the site have one script, and files beside."""
    reader = _Reader(site=site)
    reader.feed(page)
    reader.close()
    return reader.found
