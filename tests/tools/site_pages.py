"""The site's program as a module, and what a page of it holds as lists that a test can ask."""

from __future__ import annotations

import importlib.util
import sys
from html.parser import HTMLParser

from project import ROOT


def _loaded(name, stem):
    """A program of `tools/`, by its file: on the path the folder would hide other modules."""
    spec = importlib.util.spec_from_file_location(name, ROOT / "tools" / f"{stem}.py")
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module  # data classes look themselves up there, and one program imports the other
    spec.loader.exec_module(module)
    return module


panels = _loaded("site_panels", "site_panels")
_loaded("site_api", "site_api")
tool = _loaded("site_tool", "site")

ADDRESSES = ("href", "src", "srcset", "action", "poster", "data", "xlink:href")
VOID = {"meta", "link", "img", "br", "hr", "source", "input", "wbr", "col"}


class Parsed(HTMLParser):
    """Elements of a page with their attributes, its headings, and its text outside of code."""

    def __init__(self, text):
        super().__init__(convert_charrefs=True)
        self.elements, self.headings, self.prose, self.title, self.open = [], [], [], "", []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag, attributes):
        self.elements.append((tag, dict(attributes)))
        if tag not in VOID:
            self.open.append(tag)
        if tag[0] == "h" and tag[1:].isdigit():
            self.headings.append((int(tag[1:]), ""))

    def handle_endtag(self, tag):
        if tag not in VOID:
            assert self.open and self.open[-1] == tag, f"</{tag}> closes {self.open[-3:]}"
            self.open.pop()

    def handle_data(self, text):
        if {"h1", "h2", "h3", "h4"} & set(self.open):
            level, words = self.headings[-1]
            self.headings[-1] = (level, words + text)
        if self.open[-1:] == ["title"]:
            self.title += text
        if not {"pre", "code", "style", "title"} & set(self.open):
            self.prose.append(text)

    def all(self, tag):
        """Attributes of each element of a kind."""
        return [attributes for name, attributes in self.elements if name == tag]

    @property
    def ids(self):
        """Every id, as often as it stands there."""
        return [attributes["id"] for _, attributes in self.elements if "id" in attributes]

    @property
    def addresses(self):
        """Every address that the page links or loads."""
        return [given[key] for _, given in self.elements for key in ADDRESSES if given.get(key)]
