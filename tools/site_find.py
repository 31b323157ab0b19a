"""What can be found on the site: one page that lists all headings, and the index that the search reads."""

import html
import json
import re

HEADING = re.compile(r'<h([1-6]) id="([^"]*)">(.*?)</h\1>', re.S)
SOLUTION = re.compile(r"<details>.*?</details>", re.S)


def contents_of(pages, figures, rooms, teaching):
    """All there is, by kind: a heading -> groups of (title, file, entries of words and address).

    `teaching` are such entries.
    """
    lessons = [
        (page.title, page.file, [(words, f"{page.file}#{anchor}") for _, anchor, words in page.sections])
        for page in pages
    ]
    pictures = [("", "", [(figure["title"], f"gallery.html#{figure['name']}") for figure in figures])]
    library = [
        (room, f"api/index.html#{room}", [(module.name, module.file) for module in modules])
        for room, modules in rooms.items()
    ]
    return {
        "Lessons": lessons,
        "For teachers": [("", "", teaching)],
        "Pictures": pictures,
        "Library": library,
    }


def search_index(pages, figures, modules):
    """Each place as (its words, where it is, address, text); solutions stay unsaid."""
    places = [place for page in pages for place in _sections(page)]
    places += [
        (each["title"], "Pictures", f"gallery.html#{each['name']}", f"{each['caption']} {each['name']}")
        for each in figures
    ]
    for module in modules:
        places.append((module.name, "Library", module.file, plain(module.summary)))
        places += [
            (entry.name, module.name, f"{module.file}#{entry.anchor}", plain(entry.text.partition("\n\n")[0]))
            for entry in module.entries
        ]
    return places


def _sections(page):
    """The places of a lesson: its beginning, and each heading with what stands below it."""
    places = [[page.title, f"Lesson {page.number}" if page.number else "Course", page.file, plain(page.lead)]]
    for part in page.parts:
        shown = SOLUTION.sub("", str(part.get("html", ""))) if part["kind"] in ("prose", "panel") else ""
        before, *found = HEADING.split(shown)
        places[-1][3] += f" {plain(before)} {plain(part.get('caption') or '')}"
        for _, anchor, words, text in zip(*[iter(found)] * 4, strict=True):
            places.append([plain(words), page.title, f"{page.file}#{html.unescape(anchor)}", plain(text)])
    return [(title, where, address, " ".join(text.split())) for title, where, address, text in places]


def plain(text):
    """The words of HTML or of a docstring."""
    return " ".join(html.unescape(re.sub(r"<[^>]+>", "", str(text))).replace("`", "").split())


def index_sheet(places):
    """The index as a style sheet: a page from disk may load one and no data, and it cannot run.

    Its one value is JSON without backslashes and single quotes.
    """
    told = [
        (_quoted(title), _quoted(where), address.replace("'", "%27").replace('"', "%22"), _quoted(text))
        for title, where, address, text in places
    ]
    text = json.dumps(told, ensure_ascii=False, separators=(",", ":"))
    return f":root{{--search-index:'{text}'}}\n"


def _quoted(text):
    """Text whose quotation marks are those of type, in one line of printable signs."""
    text = (
        text.replace("\\", "")
        .replace('"', "\N{RIGHT DOUBLE QUOTATION MARK}")
        .replace("'", "\N{RIGHT SINGLE QUOTATION MARK}")
    )
    return "".join(sign if sign.isprintable() else " " for sign in text)
