"""Nothing in the project speaks of one person's computer or of how the work was organized."""

import re
import subprocess

import pytest
from project import ROOT, keeps

# A letter in brackets keeps this file from holding what it looks for.
PLACES = r"(?<![\w.$}/])/(wor[k]|hom[e]|roo[t]|User[s])/\w|\bC:[\\]+User[s]\b|\.\./share[d]/"
TRACKER = r"(?i)\bissue[s]? ?(no\. ?|number )?#?\d"
TALK = r"(?i)\b(sub-?agen[t]|chat-?gp[t]|language mode[l]|(this|the) brie[f]\b|our sessio[n])"
IN_A_MESSAGE = r"(?i)\b(sessio[n]|helpe[r] \d|brie[f]|issu[e])s?\b"


def wording_violations(name, text, *, patterns=(PLACES, TRACKER, TALK)):
    """Lines that name a place on one computer, a tracker's number, or the making of the project."""
    return [
        f"{name}, line {number}: {match[0]!r}"
        for number, line in enumerate(text.splitlines(), start=1)
        for pattern in patterns
        if (match := re.search(pattern, line))
    ]


def git(*arguments):
    return subprocess.check_output(["git", *arguments], cwd=ROOT, text=True)


def texts():
    """Every tracked file that is text, by name."""
    for name in git("ls-files", "-z").split("\0"):
        if name and (ROOT / name).is_file():
            content = (ROOT / name).read_bytes()
            if b"\0" not in content[:4096]:
                yield name, content.decode("utf-8", errors="replace")


def test_no_file_names_a_place_on_one_computer_or_the_making_of_the_project():
    keeps([said for name, text in texts() for said in wording_violations(name, text)])
    keeps(wording_violations("file names", git("ls-files"), patterns=(TRACKER, TALK)))


def test_no_commit_message_speaks_of_how_the_work_was_organized():
    messages = git("log", "--format=%B")
    keeps(wording_violations("commit messages", messages, patterns=(PLACES, TALK, IN_A_MESSAGE)))


FOUND = ["/ho_me/ada/tape.wav", "open('/wo_rk/a.py')", "as is_sue 12 wants", "Is_sue #3", "the bri_ef"]
LEFT = ["homework/1", "example.org/home/page", "no issue with tape", "a brief echo", "/usr/share/sounds"]


@pytest.mark.parametrize("text", FOUND + LEFT)
def test_such_words_are_found_and_others_left_in_peace(text):
    assert wording_violations("a file", text) == []
    assert bool(wording_violations("a file", text.replace("_", ""))) == (text in FOUND)
