"""Exercises on the pages of the site, from disk: judged, kept, told on the map, erased; scripts off, too."""

import lab_browser
import pytest
from lab_browser import violations

pytestmark = [pytest.mark.browser, pytest.mark.slow]

LESSON, LATER, MAP = "01_delay.html", "02_wavelength.html", "index.html"
SIZES = {"wide": (1280, 900), "upright": (820, 1100), "phone": (360, 740)}
BLOCKED = """Object.defineProperty(window, 'localStorage', {
    get() { throw new DOMException('blocked', 'SecurityError'); } });"""
FULL = "Storage.prototype.setItem = () => { throw new DOMException('full', 'QuotaExceededError'); };"
STORE = "tapecalc course"
TOO_SMALL = """() => [...document.querySelectorAll('.answer input, .answer button')]
    .map(one => one.getBoundingClientRect()).filter(box => Math.min(box.width, box.height) < 44).length"""
#: Of each solution, whether it is to be seen.
SOLUTIONS = """() => [...document.querySelectorAll('details')]
    .filter(one => one.innerText.startsWith('Solution')).map(one => one.lastElementChild)
    .map(one => one.getBoundingClientRect().height > 0 && one.checkVisibility())"""


@pytest.fixture
def tab(site):
    """A browser that has kept nothing yet and reaches no network."""
    with lab_browser.offline_page() as tab:
        yield tab


def opened(tab, site, page):
    tab.goto((site / page).as_uri())
    tab.wait_for_selector(".answer" if page != MAP else "[data-progress] h3")


def answer(tab, key, text):
    """Type an answer, press Enter, and read what is said."""
    field = tab.locator(f"#answer-{key.replace('.', '-')}")
    field.fill(text)
    field.press("Enter")
    return said(tab, key)


def said(tab, key):
    """What the line below a field says, without its mark."""
    place = tab.locator(f"[data-exercise='{key}'], [data-guess='{key}']")
    return place.locator("[role=status]").inner_text()[2:]


def told(tab):
    """The table on the map: lesson -> what was done."""
    rows = tab.locator("[data-progress] tbody tr").all()
    return {row.locator("th").inner_text(): row.locator("td").all_inner_texts() for row in rows}


def test_answers_are_judged_with_units_slips_and_hints(tab, site):
    opened(tab, site, LESSON)
    assert answer(tab, "delay.two_inches", "0,267 s") == "Right: 267 ms is within 1 % of the exact number."
    assert answer(tab, "delay.second_head", "14.3") == "Not yet. That is the place for the slow speed."
    assert answer(tab, "delay.ruler", "1/5 mm").startswith("Right: 0.2 mm")
    assert answer(tab, "delay.mains", "<b>late</b>") == "Put in one number, such as 12.5 ms."
    tab.fill("#answer-delay-mains", "300")
    tab.locator("[data-exercise='delay.mains'] button").click()
    assert said(tab, "delay.mains").startswith("Right: 300 ms")


def test_a_guess_is_set_beside_the_truth_where_that_is_told(tab, site):
    opened(tab, site, LESSON)
    truth, again = tab.locator("[data-truth]").all()  # where it is told, and with all guesses at the end
    truth.get_by_role("link", name="guess first").click()
    assert tab.evaluate("document.activeElement.id || location.hash.slice(1)") == "answer-delay-first_guess"
    assert answer(tab, "delay.first_guess", "0.05 s").startswith("Your guess: 50 ms. Further down")
    assert "You guessed 50 ms; it is 218 ms, 4.4 times as much." in truth.inner_text() == again.inner_text()
    assert "ot yet" not in truth.inner_text()


def test_a_guess_in_words_is_kept_and_met_where_the_lesson_tells_what_is_true(tab, site):
    opened(tab, site, LESSON)
    key, met = "delay-guess-2", tab.locator("[data-word-told='delay.guess-2'] [role=status]").first
    assert met.inner_text() == "You have made no guess yet: guess first."
    field = tab.get_by_label("Your guess number 2")
    field.fill("<b>later</b>.")
    field.press("Enter")
    assert met.inner_text()[2:] == "You guessed: <b>later</b>."
    opened(tab, site, LESSON)
    assert tab.input_value(f"#answer-{key}") == "<b>later</b>." and met.inner_text().endswith("later</b>.")
    tab.fill(f"#answer-{key}", " ")
    tab.locator("[data-word='delay.guess-2'] button").click()
    assert (
        tab.locator("[data-word='delay.guess-2'] [role=status]").inner_text().endswith("Write a word or two.")
    )
    opened(tab, site, MAP)
    assert told(tab)["Delay from head spacing"][0].startswith("1 of ")


def test_answers_stay_are_told_on_the_map_and_can_be_erased(tab, site):
    opened(tab, site, MAP)
    assert "Nothing yet." in tab.locator("[data-progress]").inner_text()
    opened(tab, site, LESSON)
    answer(tab, "delay.first_guess", "50")
    answer(tab, "delay.two_inches", "267")
    answer(tab, "delay.mains", "250")
    opened(tab, site, LESSON)
    assert tab.input_value("#answer-delay-two_inches") == "267" and said(tab, "delay.two_inches").startswith(
        "Right"
    )
    assert said(tab, "delay.mains") == "Not yet. A motor locked to the mains slows down with it."
    opened(tab, site, MAP)
    done = told(tab)
    guesses, exercises = done["Delay from head spacing"]
    assert guesses.startswith("1 of ") and exercises == "1 of 6 right"
    guesses, exercises = done["Wavelength and tape speed"]
    assert guesses.startswith("0 of ") and exercises == "0 of 8 right"
    assert len(done) == 10  # nine lessons and the workbench
    tab.get_by_role("button", name="Erase all of it").click()
    assert told(tab) == done  # asks once more
    tab.get_by_role("button", name="Press again to erase").click()
    assert told(tab) == {} and tab.evaluate(f"localStorage.getItem('{STORE}')") is None
    opened(tab, site, LESSON)
    assert tab.input_value("#answer-delay-two_inches") == "" and said(tab, "delay.two_inches") == ""


def test_the_look_back_has_other_numbers_at_each_visit_and_at_a_press(tab, site):
    questions = []
    for _ in range(3):
        opened(tab, site, LATER)
        questions.append(tuple(tab.locator("[data-look-back] > p:first-child").all_inner_texts()))
    assert len(set(questions)) == 3 and all(len(both) == 2 for both in questions)
    first = tab.locator("[data-look-back]").first
    first.get_by_role("button", name="Other numbers").click()
    assert first.locator("p").first.inner_text() not in [one for one, _ in questions]
    assert tab.evaluate("document.activeElement.id") == "answer-look-back-0"
    first.locator("summary").click()
    solution = first.locator("details p").inner_text()
    tab.keyboard.press("Escape")
    first.locator("input").fill(solution.rpartition(", ")[2].rstrip("."))  # as the solution rounds it
    first.get_by_role("button", name="Check").click()
    assert first.locator("[role=status]").inner_text().startswith("✓ Right:")


@pytest.mark.parametrize("broken", [BLOCKED, FULL])
def test_where_nothing_can_be_kept_exercises_work_and_the_map_says_so(tab, site, broken):
    tab.add_init_script(broken)
    opened(tab, site, LATER)
    assert answer(tab, "wavelength.length", "381").startswith("Right")
    tab.locator("[data-look-back] button").first.click()
    opened(tab, site, MAP)
    if broken == BLOCKED:
        assert "keeps nothing" in tab.locator("[data-progress]").inner_text()


@pytest.mark.parametrize(
    "kept", ["{", "null", "[]", '{"said": {"delay.mains": 5, "x": {"text": {}}}, "visits": 3}']
)
def test_what_another_page_left_there_does_no_harm(tab, site, kept):
    opened(tab, site, MAP)
    tab.evaluate("([name, text]) => localStorage.setItem(name, text)", [STORE, kept])
    opened(tab, site, LATER)
    assert answer(tab, "wavelength.length", "381").startswith("Right")
    opened(tab, site, MAP)
    assert told(tab)["Wavelength and tape speed"][1] == "1 of 8 right"


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", SIZES)
def test_nothing_shuts_anybody_out_in_any_state(tab, site, size, scheme):
    width, height = SIZES[size]
    tab.set_viewport_size({"width": width, "height": height})
    tab.emulate_media(color_scheme=scheme)
    opened(tab, site, LESSON)
    answer(tab, "delay.first_guess", "50")
    tab.get_by_label("Your guess number 2").fill("later")
    tab.get_by_label("Your guess number 2").press("Enter")
    answer(tab, "delay.two_inches", "267")
    answer(tab, "delay.second_head", "14.3")
    answer(tab, "delay.ruler", "late")
    assert violations(tab) == []
    assert tab.evaluate(TOO_SMALL) == 0
    assert tab.evaluate("document.documentElement.scrollWidth") <= width
    for page in (LATER, MAP):
        opened(tab, site, page)
        assert violations(tab) == []
        assert tab.evaluate("document.documentElement.scrollWidth") <= width


def test_all_is_done_by_keyboard(tab, site):
    opened(tab, site, LESSON)
    tab.locator("#answer-delay-mains").focus()
    tab.keyboard.type("300")
    tab.keyboard.press("Tab")
    tab.keyboard.press("Space")
    assert said(tab, "delay.mains").startswith("Right")
    tab.keyboard.press("Tab")
    tab.keyboard.press("Enter")  # the solution unfolds
    assert tab.evaluate("document.activeElement.parentElement.open") is True


def test_solutions_print_and_buttons_do_not(tab, site):
    opened(tab, site, LESSON)
    assert not any(tab.evaluate(SOLUTIONS))
    tab.emulate_media(media="print")
    printed = tab.evaluate(SOLUTIONS)
    assert len(printed) == 6 and all(printed)
    assert tab.locator(".answer button:visible").count() == 0


def test_without_scripts_every_place_has_its_sentence(site):
    with lab_browser.page() as tab:
        bare = tab.context.browser.new_context(java_script_enabled=False).new_page()
        bare.goto((site / LATER).as_uri())
        text = bare.locator("main").inner_text()
        assert "From lesson 1: " in text and "Write your guess down before you read on." in text
        assert text.count("Work it out and write it down") == 8
        assert bare.locator("main :is(input, button):visible").count() == 0
        bare.context.close()
