"""A head is moved by mouse, by touch and by keys, and delay, picture, setting and address follow."""

import re

import lab_browser
import pytest
from playwright.sync_api import expect

pytestmark = [pytest.mark.browser, pytest.mark.slow]

SETTING = "() => document.querySelector('.tape-page').tape.get()"
#: Where the gap of a head is drawn, in pixels of the screen.
GAP = """k => {
    const box = document.querySelectorAll('.head .body')[k].getBoundingClientRect();
    return box.left + box.width / 2;
}"""
#: Pixels a millimeter, from the ruler's own ticks: ten of them are what the first label says.
PER_MM = """() => {
    const texts = [...document.querySelectorAll('.scene .words text.small')];
    const zeros = texts.filter(one => one.textContent === '0');
    const row = Math.max(...zeros.map(one => one.getBoundingClientRect().bottom));
    const marks = texts.filter(one => Math.abs(one.getBoundingClientRect().bottom - row) < 3);
    const at = one => { const box = one.getBoundingClientRect(); return box.left + box.width / 2; };
    const plain = marks.filter(one => /^[0-9]+$/.test(one.textContent));
    if (plain.length > 1) {
        const [first, last] = [plain[0], plain[plain.length - 1]];
        return (at(last) - at(first)) / (Number(last.textContent) - Number(first.textContent));
    }
    const ticks = document.querySelector('.tick').getBBox();  // the unit stands behind the only number
    return ticks.width / 60;
}"""
#: How much the picture still changes: a test waits until it rests.
AT_REST = """async () => {
    const look = () => document.querySelector('.scene').outerHTML;
    for (let before = '', now = look(); before !== now;) {
        before = now;
        await new Promise(go => setTimeout(go, 60));
        now = look();
    }
}"""


def until(tab, condition):
    """Wait until something holds; the page's policy forbids what the browser's driver has for that."""
    for _ in range(300):
        if tab.evaluate(condition):
            return
        tab.wait_for_timeout(50)
    raise AssertionError(f"never came: {condition}")


def spacing(tab, k=0):
    return tab.evaluate(SETTING)["heads"][k]["spacing_mm"]


def head(tab, number=1):
    return tab.get_by_role("slider", name=f"Head {number}", exact=True)


def grip_of(tab, number=1):
    """The middle of a grip on the screen."""
    box = head(tab, number).locator(".grip").bounding_box()
    return box["x"] + box["width"] / 2, box["y"] + box["height"] / 2


def says(tab, number=1):
    """Millimeters and milliseconds that a head says."""
    said = head(tab, number).get_attribute("aria-valuetext").replace("\N{NO-BREAK SPACE}", " ")
    mm, ms = re.match(r"([\d.]+) mm, (\d+) ms, an? ", said).groups()
    return float(mm), int(ms)


@pytest.fixture
def deck(scene_tab, played):
    scene_tab.goto("about:blank")
    scene_tab.goto(played("one head"))
    scene_tab.evaluate(AT_REST)
    return scene_tab


def drag(tab, by, number=1, steps=8):
    x, y = grip_of(tab, number)
    tab.mouse.move(x, y)
    tab.mouse.down()
    tab.mouse.move(x + by, y + 3, steps=steps)
    tab.mouse.up()
    tab.evaluate(AT_REST)


def test_a_head_stands_where_the_ruler_says(deck):
    zero = deck.locator(".scene text.small", has_text=re.compile("^0$")).first.bounding_box()
    middle = zero["x"] + zero["width"] / 2
    assert deck.evaluate(GAP, 0) - middle == pytest.approx(41.5 * deck.evaluate(PER_MM), abs=0.6)


def test_the_mouse_moves_head_delay_picture_setting_and_address(deck):
    before, scale = deck.evaluate(GAP, 0), deck.evaluate(PER_MM)
    drag(deck, -100)
    moved = spacing(deck)
    assert moved == pytest.approx(41.5 - 100 / scale, abs=0.11)
    assert says(deck) == (moved, round(moved / 0.1905))  # mm and ms at 7.5 ips
    assert deck.evaluate(GAP, 0) == pytest.approx(before - 100, abs=2) or deck.evaluate(PER_MM) > scale
    expect(deck.locator(".number").first).to_have_text(f"{moved / 0.1905:.0f}\N{NO-BREAK SPACE}ms")
    until(deck, f"() => location.hash === '#head1={moved}'")


def test_a_drag_is_one_step_back(deck):
    drag(deck, -60, steps=20)
    deck.get_by_role("button", name="undo").click()
    assert spacing(deck) == 41.5
    expect(deck.get_by_role("button", name="undo")).to_be_disabled()
    deck.get_by_role("button", name="redo").click()
    assert spacing(deck) < 40


def test_a_press_alone_moves_nothing(deck):
    drag(deck, 0, steps=1)
    assert spacing(deck) == 41.5
    expect(deck.get_by_role("button", name="undo")).to_be_disabled()


def test_at_the_end_of_the_ruler_more_of_the_tape_comes(deck):
    scale = deck.evaluate(PER_MM)
    x, y = grip_of(deck)
    deck.mouse.move(x, y)
    deck.mouse.down()
    deck.mouse.move(1240, y, steps=6)
    until(deck, f"() => ({SETTING})().heads[0].spacing_mm > 90")
    assert deck.evaluate(GAP, 0) < 1095  # it is not pulled off the ruler meanwhile
    deck.mouse.up()
    deck.evaluate(AT_REST)
    assert deck.evaluate(PER_MM) < scale / 1.4
    assert deck.evaluate(GAP, 0) < 1100


def test_touch_moves_a_head_as_the_mouse_does(browser_tab, played):
    context = browser_tab.context.browser.new_context(
        viewport={"width": 360, "height": 740}, has_touch=True, is_mobile=True, offline=True
    )
    touched = lab_browser.watched(context.new_page())
    touched.goto(played("one head"))
    touched.evaluate(AT_REST)
    scale, (x, y) = touched.evaluate(PER_MM), grip_of(touched)
    finger = context.new_cdp_session(touched)  # moves down first, as a scroll begins
    moves = [("touchMove", [{"x": x - k * 5, "y": y + 30}]) for k in range(9)]
    for kind, points in [("touchStart", [{"x": x, "y": y}]), *moves, ("touchEnd", [])]:
        finger.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})
    touched.evaluate(AT_REST)
    assert spacing(touched) == pytest.approx(41.5 - 40 / scale, abs=0.4)
    assert touched.problems == []
    context.close()


@pytest.mark.parametrize(
    ("keys", "mm"),
    [
        (["ArrowRight"], 41.6),
        (["ArrowUp"], 41.6),
        (["ArrowLeft", "ArrowDown"], 41.3),
        (["Shift+ArrowRight"], 42.5),
        (["Shift+ArrowLeft"], 40.5),
        (["PageUp", "PageUp"], 43.5),
        (["PageDown"], 40.5),
    ],
)
def test_keys_move_a_head(deck, keys, mm):
    head(deck).focus()
    for key in keys:
        deck.keyboard.press(key)
    assert spacing(deck) == pytest.approx(mm, abs=1e-9)
    expect(head(deck)).to_have_attribute("aria-valuenow", f"{mm:.1f}")


def test_home_and_end_go_as_far_as_a_head_can(deck):
    head(deck).focus()
    for key, limit in [("Home", "aria-valuemin"), ("End", "aria-valuemax"), ("ArrowRight", "aria-valuemax")]:
        deck.keyboard.press(key)
        assert spacing(deck) == pytest.approx(float(head(deck).get_attribute(limit)), abs=0.05)


def test_keys_elsewhere_move_no_head_and_reach_no_one_outside(deck):
    deck.evaluate(
        "() => { window.reached = []; document.addEventListener('keydown', one => reached.push(one.key)); }"
    )
    for place in ("sound in", "wanted note", "tempo"):
        deck.get_by_label(place).first.focus()
        deck.keyboard.press("ArrowDown")
        deck.keyboard.press("ArrowUp")
    deck.get_by_role("radio").first.focus()
    deck.keyboard.press("ArrowRight")
    head(deck).focus()
    deck.keyboard.press("ArrowRight")
    assert spacing(deck) == 41.6
    assert deck.evaluate("reached") == []


def test_a_list_keeps_its_keys(deck):
    deck.get_by_label("sound in").focus()
    deck.keyboard.press("ArrowDown")
    expect(deck.get_by_label("sound in")).to_have_value("clicks")
    assert spacing(deck) == 41.5


def test_a_mark_lights_up_where_the_echo_is_in_time(deck):
    """A sixteenth at 76 beats a minute is 197.4 ms, 37.60 mm at 7.5 ips; 6 ms are 1.14 mm."""
    lit, in_time = deck.locator(".scene .mark.lit"), deck.locator(".head .in-time")
    checked = deck.locator(".head .checked")
    assert lit.count() == in_time.count() == checked.count() == 0
    head(deck).focus()
    for mm, seen in [(38.7, 1), (38.8, 0), (37.6, 1), (36.5, 1), (36.4, 0)]:
        while abs(spacing(deck) - mm) > 0.01:
            deck.keyboard.press("ArrowLeft" if spacing(deck) > mm else "ArrowRight")
        expect(lit).to_have_count(seen)
        expect(in_time).to_have_count(seen)
        expect(checked).to_have_count(seen)  # told by more than a color


def test_a_press_on_nearer_or_farther_moves_the_chosen_head_a_little(deck):
    deck.get_by_role("button", name="farther").click()
    assert spacing(deck) == pytest.approx(41.6)
    deck.get_by_role("button", name="nearer").focus()
    for _ in range(3):
        deck.keyboard.press("Enter")
    assert spacing(deck) == pytest.approx(41.3)
    for mm in (41.4, 41.5, 41.6, 41.5):  # each press was a step of its own
        deck.get_by_role("button", name="undo").click()
        assert spacing(deck) == pytest.approx(mm)


def test_holding_it_goes_on_as_one_step_and_ends_where_a_head_can_stand(deck):
    box = deck.get_by_role("button", name="nearer").bounding_box()
    deck.mouse.move(box["x"] + 20, box["y"] + 20)
    deck.mouse.down()
    until(deck, f"() => ({SETTING})().heads[0].spacing_mm < 41")
    deck.mouse.up()
    rested = spacing(deck)
    deck.wait_for_timeout(200)
    assert spacing(deck) == rested
    deck.get_by_role("button", name="undo").click()
    assert spacing(deck) == 41.5
    head(deck).press("Home")
    least = spacing(deck)
    deck.get_by_role("button", name="nearer").click()
    assert spacing(deck) == least


def test_the_big_number_names_the_chosen_head_that_wears_a_ring(scene_tab, played):
    scene_tab.goto("about:blank")
    scene_tab.goto(played("three heads"))
    for number in (3, 1):
        head(scene_tab, number).focus()
        expect(scene_tab.locator(".amount .which")).to_have_text(f"head {number}")
        rings = scene_tab.evaluate("""() => [...document.querySelectorAll('.head .ring')]
            .map(one => getComputedStyle(one).stroke !== 'none')""")
        assert rings == [k == number - 1 for k in range(3)]


#: How far below the tape's lower edge the pinch roller begins, pixels.
CLEAR = """() => document.querySelector('.roller').getBoundingClientRect().top
    - document.querySelector('.scene .face').getBoundingClientRect().bottom"""


@pytest.mark.parametrize("calm", [False, True])
def test_the_pinch_roller_stands_clear_of_the_tape_until_it_runs(deck, calm):
    deck.emulate_media(reduced_motion="reduce" if calm else "no-preference")
    for width in (1280, 360):
        deck.set_viewport_size({"width": width, "height": 800})
        deck.evaluate(AT_REST)
        assert deck.evaluate(CLEAR) > 5
        deck.get_by_role("button", name="Play").click()
        until(deck, f"() => Math.abs(({CLEAR})()) < 1")
        deck.keyboard.press("Escape")
        until(deck, f"() => ({CLEAR})() > 5")
    seconds = deck.evaluate("getComputedStyle(document.querySelector('.roller')).transitionDuration")
    assert seconds == ("0s" if calm else "0.3s")


#: What reaches the place of what is heard: numbers of heads whose wire ends on its line, "dry" if that does.
HEARD = """() => {
    const line = document.querySelector('.wire.heard')?.getBoundingClientRect();
    if (!line) return [];
    const words = [...document.querySelectorAll('.scene text')].find(one => /hear$/.test(one.textContent));
    const from = words.getBoundingClientRect();
    if (Math.abs(line.left - from.left) > 40) return ['it leads nowhere'];
    const dots = [...document.querySelectorAll('.dot.heard')].map(one => one.getBoundingClientRect());
    const on = dots.every(one => one.left > line.left - 5 && one.right < line.right + 5);
    if (!on) return ['a dot stands off the line'];
    const heads = [...document.querySelectorAll('.head')].flatMap((head, k) => {
        const time = head.querySelector('.time').getBoundingClientRect();
        const at = time.left + time.width / 2;
        return dots.some(one => Math.abs(one.left + one.width / 2 - at) < 1.5) ? [k + 1] : [];
    });
    return [...heads, ...(document.querySelector('.dot.dry') ? ['dry'] : [])];
}"""
#: Numbers of the heads that are joined to the return.
RETURNED = """() => {
    const dots = [...document.querySelectorAll('.dot.echo')].map(one => one.getBoundingClientRect());
    return [...document.querySelectorAll('.head')].flatMap((head, k) => {
        const time = head.querySelector('.time').getBoundingClientRect();
        const at = time.left + time.width / 2;
        return dots.some(one => Math.abs(one.left + one.width / 2 - at) < 1.5) ? [k + 1] : [];
    });
}"""


@pytest.mark.parametrize("width", [1280, 768, 360])
@pytest.mark.parametrize("name", ["three heads", "eight heads"])
def test_what_is_on_reaches_what_is_heard_and_a_head_outside_the_return_only_that(
    scene_tab, played, name, width
):
    scene_tab.set_viewport_size({"width": width, "height": 800})
    scene_tab.goto("about:blank")
    scene_tab.goto(played(name))
    scene_tab.evaluate(AT_REST)
    heads = scene_tab.evaluate(SETTING)["heads"]
    everyone = list(range(1, len(heads) + 1))
    assert scene_tab.evaluate(HEARD) == [*everyone, "dry"]
    assert scene_tab.evaluate(RETURNED) == [k for k in everyone if heads[k - 1]["feeds_return"]]
    assert scene_tab.locator(".open-end").count() == sum(not one["feeds_return"] for one in heads)
    scene_tab.evaluate("""() => {
        const { tape } = document.querySelector('.tape-page');
        const heads = tape.get().heads.map((one, k) => ({ ...one, on: k !== 0, feeds_return: k > 1 }));
        tape.set({ ...tape.get(), dry: false, heads });
    }""")
    scene_tab.evaluate(AT_REST)
    assert scene_tab.evaluate(HEARD) == everyone[1:]
    assert scene_tab.evaluate(RETURNED) == everyone[2:]
    assert scene_tab.locator(".open-end").count() == 1


#: Where the sound that comes in, and what is heard, run; places of the dry tips; how many wires of a look.
WIRES = """() => {
    const boxes = look => [...document.querySelectorAll(`.scene .wires ${look}`)].map(one => {
        const { left, right, top, bottom } = one.getBoundingClientRect();
        return { left, right, top, bottom };
    });
    const scene = document.querySelector('.scene').getBoundingClientRect();
    return { scene: { left: scene.left }, entry: boxes('.wire.dry')[0], heard: boxes('.wire.heard')[0],
        tips: boxes('.dry-tip'), link: boxes('.wire.thin')[0], outside: boxes('.wire.outside').length,
        echoes: boxes('.wire.echo').length };
}"""


@pytest.mark.parametrize("width", [1280, 360])
@pytest.mark.parametrize("name", ["three heads", "eight heads"])
def test_sound_comes_in_by_itself_and_arrows_say_which_way(scene_tab, played, name, width):
    scene_tab.set_viewport_size({"width": width, "height": 800})
    scene_tab.goto("about:blank")
    scene_tab.goto(played(name))
    scene_tab.evaluate(AT_REST)
    there = scene_tab.evaluate(WIRES)
    entry, heard, link = there["entry"], there["heard"], there["link"]
    assert there["scene"]["left"] < entry["left"] < entry["right"] - 40
    apart = heard["top"] > entry["bottom"] + 5 or heard["bottom"] < entry["top"] - 5
    assert apart, "the sound that comes in seems to come from what is heard"
    middles = [((one["left"] + one["right"]) / 2, (one["top"] + one["bottom"]) / 2) for one in there["tips"]]
    on_entry = [x for x, y in middles if abs(y - (entry["top"] + entry["bottom"]) / 2) < 2]
    assert [entry["left"] < x < entry["right"] for x in on_entry] == [True]
    on_link = [y for x, y in middles if abs(x - (link["left"] + link["right"]) / 2) < 2]
    down = heard["top"] > entry["bottom"]
    assert [y > link["top"] if down else y < link["bottom"] for y in on_link] == [True]
    heads = scene_tab.evaluate(SETTING)["heads"]
    fed = sum(one["feeds_return"] for one in heads)
    assert there["outside"] == len(heads) - fed
    assert there["echoes"] == 2 * fed + 4  # from and to each head's dot; into, back, collector and rise


def test_half_the_speed_halves_the_times_on_the_ruler_and_doubles_the_delay(deck):
    deck.get_by_text("3.75 ips", exact=True).click()
    deck.evaluate(AT_REST)
    assert says(deck) == (41.5, 436)
    expect(deck.locator(".number").first).to_have_text("436\N{NO-BREAK SPACE}ms")


def send(tab):
    return tab.get_by_role("slider", name="Return send")


def test_the_return_send_says_how_far_it_may_go(deck):
    send(deck).focus()
    assert "at least 4.5\N{NO-BREAK SPACE}dB before it runs away" in send(deck).get_attribute(
        "aria-valuetext"
    )
    for _ in range(3):
        deck.keyboard.press("Shift+ArrowRight")
    assert deck.evaluate(SETTING)["return_send_db"] == 3
    expect(send(deck)).to_have_attribute("aria-valuetext", re.compile("run"))
    expect(deck.get_by_role("alert")).to_contain_text("turn the return send down")
    deck.keyboard.press("Home")
    assert deck.evaluate(SETTING)["return_send_db"] == -90
    expect(send(deck)).to_have_attribute("aria-valuetext", re.compile("^nothing"))
    expect(deck.locator(".warning")).to_be_hidden()


def test_the_return_send_is_dragged_along_its_wire(deck):
    box = deck.locator(".send .thumb").bounding_box()
    deck.mouse.move(box["x"] + 12, box["y"] + 12)
    deck.mouse.down()
    deck.mouse.move(box["x"] - 100, box["y"] + 12, steps=5)
    deck.mouse.up()
    assert deck.evaluate(SETTING)["return_send_db"] < -10
    deck.get_by_role("button", name="undo").click()
    assert deck.evaluate(SETTING)["return_send_db"] == -6


def test_an_address_brings_its_setting_and_a_damaged_one_says_so(deck, played):
    deck.goto("about:blank")
    deck.goto(f"{played('one head')}#head1=60&return=-9")
    assert spacing(deck) == 60
    deck.evaluate(AT_REST)
    assert says(deck) == (60, 315)
    assert "\N{MINUS SIGN}9.0" in send(deck).get_attribute("aria-valuetext")
    assert deck.evaluate(SETTING)["return_send_db"] == -9
    deck.evaluate("() => { location.hash = '#head1=50' }")
    until(deck, f"() => ({SETTING})().heads[0].spacing_mm === 50")
    deck.goto("about:blank")
    deck.goto(f"{played('one head')}#head1=much")
    assert spacing(deck) == 41.5
    expect(deck.get_by_role("status")).to_contain_text("The address holds no setting")


def test_two_settings_are_switched_between(deck):
    deck.get_by_text("Keep and compare").click()
    deck.get_by_text("the other one").click()
    head(deck).focus()
    deck.keyboard.press("Shift+ArrowRight")
    deck.get_by_text("this one").click()
    assert spacing(deck) == 41.5
    deck.get_by_text("the other one").click()
    assert spacing(deck) == 42.5


def test_each_move_sets_itself_up_and_tells_what_to_expect(deck):
    deck.get_by_text("Six moves to try").click()
    moves = deck.locator(".moves li")
    assert moves.count() == 6
    for k in range(6):
        expect(moves.nth(k).locator("details p")).to_be_hidden()
        moves.nth(k).get_by_text("What to expect").click()
        expect(moves.nth(k).locator("details p")).to_be_visible()
        moves.nth(k).get_by_role("button", name="set it up").click()
        expect(deck.get_by_role("status")).to_have_text(moves.nth(k).locator("p").first.inner_text())
    assert len(deck.evaluate(SETTING)["heads"]) == 2


def test_a_head_is_added_and_taken_away(deck):
    deck.locator("summary", has_text="level, on").click()
    deck.get_by_role("button", name="add a head").click()
    assert spacing(deck, 1) == pytest.approx(62.3, abs=0.1)
    expect(head(deck, 2)).to_be_visible()
    deck.get_by_label("head 2 in the return").uncheck()
    assert deck.evaluate(SETTING)["heads"][1]["feeds_return"] is False
    deck.get_by_role("button", name="take it away again").click()
    expect(head(deck, 2)).to_have_count(0)


def test_the_microphone_asks_for_headphones_first(deck):
    deck.get_by_label("sound in").select_option("line")
    expect(deck.get_by_text("Put on headphones first")).to_be_visible()
    assert deck.evaluate(SETTING)["input"] == "phrase"
    deck.get_by_label("headphones are on").check()
    until(deck, f"() => ({SETTING})().input === 'line'")
    assert deck.evaluate(SETTING)["dry"] is False


#: Places of all that could move by itself: the trace, the reels, the capstan.
MOVING = """() => [...document.querySelectorAll('.trace, .spokes, .capstan-turn, .splice')]
    .map(one => one.getAttribute('transform') ?? one.getAttribute('d'))"""


@pytest.mark.parametrize("calm", [False, True])
def test_who_asks_for_no_motion_sees_none(deck, calm):
    deck.emulate_media(reduced_motion="reduce" if calm else "no-preference")
    deck.get_by_role("button", name="Play").click()
    until(deck, "() => document.querySelector('.head .glow').style.opacity > 0")
    first = deck.evaluate(MOVING)
    deck.wait_for_timeout(400)
    assert (deck.evaluate(MOVING) == first) is calm
    deck.keyboard.press("Escape")
    expect(deck.get_by_role("button", name="Play")).to_be_visible()


def test_what_is_recorded_rides_on_the_tape(deck):
    deck.get_by_role("button", name="Play").click()
    until(deck, "() => document.querySelector('.trace .dry').getAttribute('d')?.length > 100")
    until(deck, "() => document.querySelector('.trace .pass1').getAttribute('d')?.length > 100")
    deck.keyboard.press("Escape")
    deck.evaluate(AT_REST)
    rested = deck.evaluate(MOVING)
    deck.wait_for_timeout(200)
    assert deck.evaluate(MOVING) == rested
    assert deck.evaluate("document.querySelector('.tape-page').tape.frameTimes().length") > 10


def test_what_is_recorded_is_wound_onto_the_pack(deck):
    ends = deck.evaluate("""() => ['clipPath rect', '.face'].map(place => {
        const one = document.querySelector(`.scene ${place}`);
        return Number(one.getAttribute('x')) + Number(one.getAttribute('width'));
    })""")
    assert ends[0] == pytest.approx(ends[1], abs=0.1)


def test_what_is_recorded_leaves_a_closed_loop_around_its_bend(scene_tab, played):
    scene_tab.goto("about:blank")
    scene_tab.goto(played("closed loop"))
    scene_tab.get_by_role("button", name="Play").click()
    condition = """() => {
        const path = document.querySelectorAll('.scene .trace')[2].querySelector('path');
        const face = document.querySelector('.scene .face').getBBox(), on = path.getBBox();
        return on.x + on.width > face.x + face.width + 10 && on.y + on.height > face.y + face.height;
    }"""
    until(scene_tab, condition)
    scene_tab.keyboard.press("Escape")


def test_a_device_that_goes_leaves_a_page_at_rest(deck):
    deck.evaluate(
        """() => {
            const Real = AudioContext;
            window.AudioContext = class extends Real {
                constructor(options) { super(options); window.device = this; }
            };
        }"""
    )
    deck.get_by_role("button", name="Play").click()
    until(deck, "() => document.querySelector('.head .glow').style.opacity > 0")
    deck.evaluate("device.suspend()")
    expect(deck.get_by_role("status")).to_contain_text("taken away")
    expect(deck.get_by_role("button", name="Play")).to_be_visible()
    deck.evaluate(AT_REST)
    deck.get_by_role("button", name="Play").click()
    until(deck, "() => document.querySelector('.head .glow').style.opacity > 0")
    deck.keyboard.press("Escape")
