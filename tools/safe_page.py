"""Whether a page or picture runs something or loads something from elsewhere.

Names in machine files and cells of notebooks are written by anybody; what becomes of them is read again
as a browser would. The pages' content policy is the second wall. A script may stand in a page only where the
page's first policy names it by its digest: a page that plays has one, ours.
"""

import base64
import hashlib
import re
from html.parser import HTMLParser

#: Tags that run, frame or send something, or change where addresses lead.
ACTIVE = {"script", "iframe", "frame", "object", "embed", "applet", "link", "form", "base", "foreignobject"}
ADDRESSES = {"src", "srcset", "href", "xlink:href", "data", "action", "formaction", "poster", "background"}
SCHEME = re.compile(r"[a-z][a-z0-9+.-]*:|//", re.IGNORECASE)
POLICY = "Content-Security-Policy"
#: What the site's own template has of that kind.
SITE = {
    ("script", "type", "application/json"),
    *(("link", "rel", rel) for rel in ("icon", "stylesheet", "prev", "next")),
}


class _Reader(HTMLParser):
    """Collects what is wrong with a page."""

    def __init__(self, *, site):
        super().__init__()
        self.site, self.found = site, []
        self.policy = self.script = None

    def handle_starttag(self, tag, attributes):
        allowed = self.site and any((tag, *attribute) in SITE for attribute in attributes)
        if attributes == [("type", "module")] and tag == "script":
            self.script = ""  # its text comes, and then its end
        elif tag in ACTIVE and not allowed:
            self.found.append(f"<{tag}>")
        if tag == "meta" and self.policy is None and ("http-equiv", POLICY) in attributes:
            self.policy = dict(attributes).get("content")
        elif tag not in {"html", "head", "meta"} and self.policy is None:
            self.policy = ""  # one that came later would not hold for all
        for name, value in attributes:
            if name.startswith("on"):
                self.found.append(f"<{tag}> with a handler {name}")
            if name == "http-equiv" and value != POLICY:
                self.found.append(f"<{tag}> with {name} {value}")
            if name in ADDRESSES and not self.harmless(tag, name, re.sub(r"[\x00-\x20]", "", value or "")):
                self.found.append(f"<{tag}> with {name} {value[:60]!r}")

    def handle_data(self, text):
        if self.script is not None:
            self.script += text

    def handle_endtag(self, tag):
        if tag == "script" and self.script is not None:
            digest = base64.b64encode(hashlib.sha256(self.script.encode()).digest()).decode("ascii")
            rules = re.search(r"script-src ([^;]*)", self.policy or "")
            if not rules or f"'sha256-{digest}'" not in rules[1].split() or "'unsafe-inline'" in rules[1]:
                self.found.append("<script> that the page's policy does not name")
            self.script = None

    def close(self):
        super().close()
        if self.script is not None:
            self.found.append("<script> without an end")

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
    """What a page or picture must not have, in words; pages of the site have script and files beside them."""
    reader = _Reader(site=site)
    reader.feed(page)
    reader.close()
    return reader.found
