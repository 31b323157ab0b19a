"""Each module explains itself: a symbol table on top, the docstring contract, the notebook behind it."""

import library_rules as rules
import pytest
from library_rules import made_module

every_module = pytest.mark.parametrize("subject", rules.library(), ids=rules.module_names())
public = [
    pytest.param(one, id=one.where)
    for subject in rules.library()
    for one in (*rules.callables(subject), *rules.data_classes(subject))
]
in_a_notebook = [
    pytest.param(one, id=one.where)
    for subject in rules.library()
    for one in rules.functions(subject)
    if one.doc.notebook not in (None, "none")
]


@every_module
def test_the_symbol_table_names_every_parameter(subject):
    rules.keeps(rules.table_violations(subject))


@every_module
def test_the_docstrings_keep_the_contract(subject):
    rules.keeps(rules.docstring_violations(subject))


@pytest.mark.parametrize("one", public)
def test_see_also_resolves_and_inverses_point_at_each_other(one):
    rules.keeps(rules.see_also_violations(one))


@pytest.mark.parametrize("one", in_a_notebook)
def test_the_named_notebook_calls_the_function_or_names_it(one):
    path = rules.NOTEBOOKS / f"{one.doc.notebook}.ipynb"
    if not path.exists():
        pytest.skip(f"notebooks/{path.name} is not written yet")
    rules.keeps(rules.notebook_violations(one, path.read_text(encoding="utf-8")))


def test_every_module_can_be_imported():
    rules.keeps(rules.import_violations())


def test_every_module_has_a_floor_and_every_calculator_was_found():
    written = {name for name in rules.CALCULATORS if (rules.LIBRARY / f"{name}.py").exists()}
    assert written <= set(rules.module_names())
    assert all(isinstance(rules.floor(name), int) for name in rules.module_names())


GOOD = '''
    """How long a repeat takes.

    ======  ============  =======  =============
    symbol  name in code  SI unit  typical value
    ======  ============  =======  =============
    d       ``spacing``   m        41.5 mm
    v       ``speed``     m/s      7.5 in/s
    ======  ============  =======  =============
    """

    from tapecalc.calc.quantity import positive

    __all__ = ["later"]


    def later(spacing, speed=0.1905):
        """Compute the delay, ``T = d / v``.

        Parameters
        ----------
        spacing : array_like
            Distance in m, greater than 0.
        speed : array_like, optional
            Tape speed in m/s, greater than 0.

        Returns
        -------
        float or numpy.ndarray
            Delay in s.

        Raises
        ------
        ValueError
            If a value is not greater than 0.

        Notes
        -----
        Source: definition. Notebook: 01_delay.

        Examples
        --------
        >>> later(0.1905)
        1.0
        """
        return _checked(spacing) / speed


    def _checked(spacing):
        return positive("spacing", spacing).item()
'''


def changed(folder, *changes, name="made_up"):
    source = GOOD
    for old, new in changes:
        assert old in source
        source = source.replace(old, new)
    return made_module(folder, source, name)


def test_a_module_that_keeps_every_rule_is_left_in_peace(tmp_path):
    subject = changed(tmp_path)
    assert rules.table_violations(subject) == []
    assert rules.docstring_violations(subject) == []


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("v       ``speed``     m/s      7.5 in/s\n", "", "``speed`` is not in the symbol table"),
        ("``speed``     m/s ", "``velocity``  m/s ", "``velocity`` is in the symbol table and nowhere else"),
        ("m/s      7.5 in/s", "         7.5 in/s", "the row of ``speed`` has an empty cell"),
        ("======  ============  =======  =============\n", "", "has no symbol table"),
    ],
)
def test_a_symbol_table_with_a_gap_is_found(old, new, said, tmp_path):
    assert any(said in text for text in rules.table_violations(changed(tmp_path, (old, new))))


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('__all__ = ["later"]', '__all__ = ["later", "Later"]', "is not sorted"),
        ('__all__ = ["later"]', '__all__ = ["later", "sooner"]', "names sooner, which is not there"),
        ('__all__ = ["later"]', "__all__ = []", "neither in __all__ nor private"),
        ("Compute the delay, ``T = d / v``.", "delay", "the summary is not one sentence"),
        ("        spacing : array_like\n            Distance in m, greater than 0.\n", "",
         "parameter spacing is not documented"),
        ("        spacing : array_like\n", "        distance : array_like\n", "documents distance"),
        ("        spacing : array_like\n", "        spacing\n", "has no type or no description"),
        ("            Distance in m, greater than 0.\n", "", "has no type or no description"),
        ("array_like, optional", "array_like", "'optional' in its type and a default"),
        ("later(spacing, speed=0.1905)", "later(speed, spacing=0.1)", "'optional' in its type and a default"),
        ("Returns\n        -------", "Gives\n        -----", "has no Returns section"),
        ("Returns\n        -------", "Gives\n        -----", "unknown sections"),
        ("            Delay in s.\n", "", "Returns does not explain"),
        ("Raises\n        ------", "Warns\n        -----", "raises, but has no Raises section"),
        ("If a value is not greater than 0.", "Bad value.", "does not say when ValueError is raised"),
        ("Notes\n        -----", "See Also\n        --------", "Notes give no `Source"),
        ("Source: definition.", "", "Notes give no `Source"),
        ("Source: definition.", "Source: as `sooner`.", "refers to sooner, which is not there"),
        ("Notebook: 01_delay.", "", "Notes give no `Notebook"),
        ("01_delay", "01_delay_of_heads", "which is not in the course"),
        (">>> later(0.1905)\n        1.0\n", ">>> delay = later(0.1905)\n", "has no example with a result"),
        (">>> later(0.1905)\n        1.0\n", ">>> 1.0\n        1.0\n", "its examples do not call it"),
    ],
)  # fmt: skip
def test_a_docstring_that_breaks_the_contract_is_found(old, new, said, tmp_path):
    assert any(said in text for text in rules.docstring_violations(changed(tmp_path, (old, new))))


def test_sections_in_another_order_are_found(tmp_path):
    text = GOOD[GOOD.index("        Returns\n") : GOOD.index("        Raises\n")]
    moved = changed(tmp_path, (text, ""), ("        Notes\n", text + "        Notes\n"))
    assert any("out of order" in said for said in rules.docstring_violations(moved))


def test_parameters_in_another_order_are_found(tmp_path):
    subject = changed(tmp_path, ("later(spacing, speed=0.1905)", "later(speed, spacing)"), (", optional", ""))
    assert any("another order" in said for said in rules.docstring_violations(subject))


def test_a_calculator_without_a_notebook_is_found(tmp_path):
    change = ("Notebook: 01_delay.", "Notebook: none.")
    assert rules.docstring_violations(changed(tmp_path, change)) == []
    as_calculator = changed(tmp_path, change, name="transport")
    assert any("derived in one" in text for text in rules.docstring_violations(as_calculator))


def test_a_record_with_a_field_that_is_not_explained_is_found(tmp_path):
    record = '''
        """No table needed here."""

        from dataclasses import dataclass

        __all__ = ["Echo"]


        @dataclass
        class Echo:
            """One echo: `delay` in s."""

            delay: float
            loudness: float
            level_db: float
    '''
    said = rules.docstring_violations(made_module(tmp_path, record))
    assert any("field loudness is not explained" in text for text in said)
    assert any("not frozen" in text for text in said)
    assert not any("field delay" in text or "field level_db" in text for text in said)


def test_see_also_that_leads_nowhere_or_only_one_way_is_found(tmp_path):
    nowhere = "        See Also\n        --------\n        sooner : the inverse\n\n        Notes\n"
    one_way = nowhere.replace("sooner", "delay_from_spacing")
    for section, said in ((nowhere, "which is not there"), (one_way, "does not name later as its inverse")):
        (one,) = rules.callables(changed(tmp_path, ("        Notes\n", section)))
        assert any(said in text for text in rules.see_also_violations(one))


def test_a_notebook_that_does_not_call_the_function_is_found(tmp_path):
    (one,) = rules.callables(changed(tmp_path))
    assert rules.notebook_violations(one, "delay = later(0.1)") == []
    assert rules.notebook_violations(one, "delay = much_later(0.1)") != []
