"""The scripts become one text, without imports, clashes of names, and what a page must not do."""

import re
import subprocess
from importlib import resources

import pytest
import scripts

from tapecalc.live import modules

FILES = [path for package in modules.PACKAGES for path in resources.files(package).iterdir()]
NAMES = sorted(path.name.removesuffix(".mjs") for path in FILES if path.name.endswith(".mjs"))
TEXTS = {name: modules.module_file(name).read_text(encoding="utf-8") for name in NAMES}

#: What no script does: it would load or run something, or make markup of what somebody typed.
FORBIDDEN = {
    "eval": r"\beval\b|\bnew Function\b|\bFunction\(",
    "a timer of text": r"set(?:Timeout|Interval)\(\s*[\"'`]",
    "fetch": r"\bfetch\s*\(|XMLHttpRequest|sendBeacon|WebSocket|EventSource|importScripts",
    "import()": r"\bimport\s*\(",
    "markup from text": r"\.(?:inner|outer)HTML\s*\+?=(?!=)|insertAdjacentHTML|document\.write",
    "a host": r"(?:https?|wss?|ftp)://(?!www\.w3\.org/)|[\"'`]//\w",
    "storage": r"localStorage|sessionStorage|indexedDB|document\.cookie",
}
#: The one script that keeps something: a reader's own answers, in the reader's own browser.
KEEPS = "answers"


def without_comments(text):
    """Leave out comments, in which types are imported and words are free."""
    return re.sub(r"/\*.*?\*/|(?<![:\"'`\\])//[^\n]*", "", text, flags=re.DOTALL)


def offences(text):
    """Name what a script does that it must not."""
    code = without_comments(text)
    return [name for name, pattern in FORBIDDEN.items() if re.search(pattern, code)]


@pytest.mark.parametrize("name", NAMES)
def test_every_script_joins_and_is_one_that_can_be_read(name, tmp_path):
    text = modules.joined(name)
    assert not re.search(r"^\s*(?:import|export)\b", text, re.MULTILINE)
    path = tmp_path / "joined.cjs"
    path.write_text(text, encoding="utf-8")
    done = subprocess.run([scripts.NODE, "--check", str(path)], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


@pytest.mark.parametrize("name", NAMES)
def test_every_script_is_written_as_the_joiner_reads_it(name):
    for line in without_comments(TEXTS[name]).splitlines():
        if re.match(r"import\b", line):
            assert re.fullmatch(r'import \{ \w+(?:, \w+)* \} from "\.(?:\./\w+)?/\w+\.mjs";', line)
        elif re.match(r"export\b", line):
            assert re.match(r"export (?:async )?(?:function\*? |class |const )\w+", line)
        assert len(line) <= 110
    assert "\t" not in TEXTS[name]


@pytest.mark.parametrize("name", NAMES)
def test_no_script_loads_runs_or_keeps_anything(name):
    assert offences(TEXTS[name]) == (["storage"] if name == KEEPS else [])


@pytest.mark.parametrize(
    ("line", "offence"),
    [
        ('eval("1")', "eval"),
        ('new Function("a", "return a")', "eval"),
        ('setTimeout("stop()", 10)', "a timer of text"),
        ('fetch("./facts.json")', "fetch"),
        ('await import("./other.mjs")', "import()"),
        ("element.innerHTML = name;", "markup from text"),
        ("element.outerHTML += `<b>${name}</b>`;", "markup from text"),
        ('element.insertAdjacentHTML("beforeend", name)', "markup from text"),
        ('const place = "https://example.org/x.js";', "a host"),
        ('link.href = "//example.org";', "a host"),
        ('localStorage.setItem("a", 1)', "storage"),
    ],
)
def test_what_a_script_must_not_do_is_found(line, offence):
    assert offence in offences(f"export function planted(element, name) {{\n  {line}\n}}\n")


def test_comments_and_the_name_of_svg_are_no_offence():
    harmless = '// see fetch() and https://example.org\nconst SVG = "http://www.w3.org/2000/svg";\n'
    assert offences(harmless) == []


@pytest.fixture
def planted(tmp_path, monkeypatch):
    """A way to join scripts of our own instead of the package's."""

    def join(name, **texts):
        for other, text in texts.items():
            (tmp_path / f"{other}.mjs").write_text(text, encoding="utf-8")
        monkeypatch.setattr(modules, "PACKAGES", ("one",))
        monkeypatch.setattr(modules.resources, "files", lambda _: tmp_path)
        return modules.joined.__wrapped__(name)

    return join


def test_imports_come_first_and_once(planted):
    text = planted(
        "top",
        top='import { b } from "./middle.mjs";\nimport { a } from "./low.mjs";\nexport const c = a + b;\n',
        middle='import { a } from "./low.mjs";\n\nexport function b() {\n  return a;\n}\n',
        low="export const a = 1;\n",
    )
    assert text.split() == "const a = 1; function b() { return a; } const c = a + b;".split()


@pytest.mark.parametrize(
    "line", ["const twice = 2;", "export function twice() {}", "class twice {}", "let twice;"]
)
def test_names_that_clash_are_refused(planted, line):
    with pytest.raises(ValueError, match="modules must differ in names, got twice in low and top"):
        planted(
            "top",
            top=f'import {{ a }} from "./low.mjs";\n{line}\n',
            low="export const a = 1;\nconst twice = a;\n",
        )


def test_a_name_inside_a_function_is_its_own(planted):
    low = "export function a() {\n  const inner = 1;\n  return inner;\n}\n"
    top = 'import { a } from "./low.mjs";\nfunction b() {\n  const inner = a();\n  return inner;\n}\n'
    assert "function b" in planted("top", top=top, low=low)


def test_a_script_that_is_not_there_is_refused(planted):
    with pytest.raises(ValueError, match="^a module must stand in one of one, got nowhere in 0$"):
        planted("top", top='import { a } from "./nowhere.mjs";\n')


def test_scripts_that_import_each_other_are_refused(planted):
    with pytest.raises(ValueError, match="^modules must not import each other, got top -> low -> top$"):
        planted(
            "top",
            top='import { a } from "./low.mjs";\nexport const b = a;\n',
            low='import { b } from "./top.mjs";\nexport const a = b;\n',
        )
