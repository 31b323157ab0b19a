"""Run panels of the page without a page: what they say and draw at many settings."""

import itertools

import numpy as np
import scripts


def reckoned(module, function, facts, settings):
    """Give what a panel reckons at each of the settings; a setting names what is not as at first."""
    script = f"""
      const panel = {function}(given.facts);
      return given.settings.map((some) => panel.reckon(checkedValues(panel.controls, some)));
    """
    return scripts.run(module, script, {"facts": facts, "settings": settings})


def told_at(module, facts, function, **setting):
    """Give everything that a panel reckons at one setting; its rows by their names."""
    [found] = reckoned(module, function, facts, [setting])
    return {**found, "table": dict(found["rows"])}


def signed(value, digits):
    """Write a number with its sign, and no minus before a zero."""
    return f"{round(value, digits) + 0.0:+.{digits}f}"


def controls_of(module, function, facts):
    """Give a panel's controls."""
    return scripts.run(module, f"return {function}(given).controls;", facts)


def drawn_settings(controls, count, seed):
    """Draw settings: all corners of the sliders and as many again between, at steps or not."""
    rng = np.random.default_rng(seed)
    ends = [_choices(control) or (control["low"], control["high"]) for control in controls]
    corners = list(itertools.islice(itertools.product(*ends), 256))
    rows = [*corners, *(tuple(_anywhere(rng, control) for control in controls) for _ in range(count))]
    return [dict(zip((control["name"] for control in controls), row, strict=True)) for row in rows]


def _choices(control):
    """What there is to choose from, if it is a list or a box."""
    return control["options"] or ([False, True] if isinstance(control["value"], bool) else [])


def _anywhere(rng, control):
    """Draw one value."""
    low, high, choices = control["low"], control["high"], _choices(control)
    if choices:
        return choices[rng.integers(len(choices))]
    if control["log"]:
        return float(np.exp(rng.uniform(*np.log([low, high]))))
    return float(low + control["step"] * rng.integers(0, round((high - low) / control["step"]) + 1))


def drawn(module, function, facts, settings, size):
    """Give the shapes that a panel draws at each of the settings, in a picture of a width and a height."""
    script = f"""
      const panel = {function}(given.facts);
      return given.settings.map((some) => {{
        const values = checkedValues(panel.controls, some);
        const picture = new Picture({{ width: given.size[0], height: given.size[1] }});
        panel.draw(picture, panel.reckon(values), values);
        return picture.shapes;
      }});
    """
    given = {"facts": facts, "settings": settings, "size": size}
    return scripts.run(f"chart {module}", script, given)


def heard(module, function, facts, setting):
    """Give the rate and the samples of a panel's sound."""
    script = f"""
      const panel = {function}(given.facts), values = checkedValues(panel.controls, given.setting);
      const {{ rate, samples }} = panel.sound(panel.reckon(values), values);
      return {{ rate, samples: Array.from(samples) }};
    """
    found = scripts.run(module, script, {"facts": facts, "setting": setting})
    return found["rate"], np.array(found["samples"])


def assert_drawn(module, function, facts, count=12, seed=1):
    """Draw a panel wide and narrow at corners and between: numbers all finite, words inside the picture."""
    every = drawn_settings(controls_of(module, function, facts), count, seed)
    settings = every[:: max(1, len(every) // 40)]
    for size in ((800, 460), (340, 420)):
        for setting, shapes in zip(settings, drawn(module, function, facts, settings, size), strict=True):
            text = str(shapes)
            assert "NaN" not in text and "Infinity" not in text and "None" not in text, setting
            for shape in shapes:
                if shape["tag"] == "text":
                    at = shape["given"]
                    assert 0 <= at["x"] <= size[0] and 0 <= at["y"] <= size[1], (setting, shape)
