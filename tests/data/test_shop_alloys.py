"""A shop's own alloy file: what it changes, what it adds, and how its faults are told."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from patternprep.data.alloy_book import load_alloys
from patternprep.errors import DataFault, FileFault, PatternprepError
from patternprep.formulas.contraction import contraction_for

PAGE = Path(__file__).parents[2] / "docs" / "shop-alloys.md"


@pytest.fixture
def shop(tmp_path: Path):
    def write(text: str) -> Path:
        path = tmp_path / "shop.toml"
        path.write_text(text, encoding="utf-8")
        return path

    return write


def test_the_example_of_the_page(shop) -> None:
    example = re.search(r"```toml\n(.*?)```", PAGE.read_text(encoding="utf-8"), re.DOTALL)
    assert example is not None
    book = load_alloys(shop(example.group(1)))
    assert len(book) == len(load_alloys()) + 1

    changed, before = book.find("C95400"), load_alloys().find("C95400")
    assert changed.contraction is not None
    assert (changed.contraction.low, changed.contraction.usual, changed.contraction.high) == (
        1.9,
        2.0,
        2.1,
    )
    assert changed.contraction.sources[0].citation.startswith("Quarrenby Mill")
    assert changed.contraction.sources[0].mark == "shop"
    assert changed.pouring is not None
    assert changed.pouring.sources[0].citation == "the shop's own file shop.toml"
    assert changed.density_solid == before.density_solid
    assert changed.compositions == before.compositions
    assert changed.origin == "the shop's own file shop.toml"

    new = book.find("bushing bronze")
    assert new.id == "QM-7"
    assert new.contraction is not None
    assert new.contraction.usual == pytest.approx(100 / 64)
    assert new.density_solid is not None
    assert new.density_solid.usual == 8.8
    assert new.liquidus is not None
    assert new.liquidus.usual == pytest.approx((1830 - 32) / 1.8)
    assert new.pouring == load_alloys().find("C90500").pouring  # the family's
    assert book.all()[-1] is new


def test_the_page_names_every_key_and_family_word() -> None:
    from patternprep.data.alloy_book import _ALLOY_KEYS
    from patternprep.data.properties import _READING_KEYS, PROPERTIES
    from patternprep.data.values import MARKS

    text = PAGE.read_text(encoding="utf-8")
    for key in (*_ALLOY_KEYS, *_READING_KEYS, *PROPERTIES, *MARKS):
        assert f"`{key}`" in text, key
    for prop in PROPERTIES.values():
        assert f"{prop.low:g} to {prop.high:g}" in text
    words = {word for alloy in load_alloys() for word in alloy.cautions}
    for word in words:
        assert f"`{word}`" in text, word


def test_a_shop_contraction_goes_before_the_table_by_size(shop) -> None:
    text = 'version = 1\n[[alloy]]\nid = "grey iron"\ncontraction_percent = 0.9\n'
    iron = load_alloys(shop(text)).find("grey iron")
    assert contraction_for(iron, 300.0).percent == pytest.approx(0.9)
    kept = text + 'contraction_table = "grey iron"\n'
    iron = load_alloys(shop(kept)).find("grey iron")
    assert contraction_for(iron, 300.0).percent == pytest.approx(100 / 96)


def test_a_known_alloy_is_changed_by_any_of_its_names(shop) -> None:
    text = 'version = 1\n[[alloy]]\nid = "gun metal"\ndensity_solid_g_cm3 = 8.75\n'
    book = load_alloys(shop(text))
    assert len(book) == len(load_alloys())
    density = book.find("C90500").density_solid
    assert density is not None
    assert density.usual == 8.75


def test_a_contraction_referred_to_the_pattern_is_converted(shop) -> None:
    text = (
        'version = 1\n[[alloy]]\nid = "C90500"\n'
        'contraction_percent = { at = 2.0, basis = "pattern" }\n'
    )
    value = load_alloys(shop(text)).find("C90500").contraction
    assert value is not None
    assert value.usual == pytest.approx(100 * 0.02 / 0.98)
    assert value.readings[0].basis == "pattern"


def test_the_built_in_book_is_not_touched(shop) -> None:
    before = load_alloys().find("C90500")
    load_alloys(shop('version = 1\n[[alloy]]\nid = "C90500"\ndensity_solid_g_cm3 = 9\n'))
    assert load_alloys().find("C90500") is before


HEAD = 'version = 1\n\n[[alloy]]\nid = "C95400"\n'

FAULTS = {
    "unknown key": (
        HEAD + "densty_solid_g_cm3 = 7.5\n",
        r"line 5, alloy 'C95400', key 'densty_solid_g_cm3'.*did you mean 'density_solid_g_cm3'",
    ),
    "outside limits": (
        HEAD + "contraction_percent = 20.8\n",
        r"line 5.*'C95400', key 'contraction_percent': 20\.8 lies outside the allowed -1 to 5 %",
    ),
    "text outside limits": (
        HEAD + 'contraction_percent = "12 %"\n',
        r"line 5.*'12 %' is 12 %, outside the allowed -1 to 5 %",
    ),
    "text without unit": (
        HEAD + 'density_solid_g_cm3 = "7.5"\n',
        r"line 5.*key 'density_solid_g_cm3': '7\.5' is not a density; write it like '7\.6 g/cm3'",
    ),
    "not a number": (
        HEAD + "liquidus_c = true\n",
        r"line 5.*key 'liquidus_c': true is not a number; write a number in degC",
    ),
    "nan": (HEAD + "liquidus_c = nan\n", r"line 5.*nan lies outside"),
    "one end": (
        HEAD + "pouring_c = { low = 1100 }\n",
        r"line 5.*key 'pouring_c': has only 'low', one end of its range; give 'high' too",
    ),
    "swapped": (
        HEAD + "pouring_c = { low = 1200, high = 1100 }\n",
        r"line 5.*low 1200 is above high 1100",
    ),
    "usual outside": (
        HEAD + "pouring_c = { low = 1100, high = 1200, usual = 1300 }\n",
        r"line 5.*usual 1300 lies outside its range 1100 to 1200",
    ),
    "unknown source": (
        HEAD + 'pouring_c = { at = 1150, source = "fosecco" }\n',
        r"line 5.*no source is named 'fosecco'.*'foseco'",
    ),
    "second reading": (
        HEAD + 'pouring_c = [\n  { at = 1150 },\n  { at = 1160, note = "" },\n]\n',
        r"line 7.*key 'note' of 'pouring_c': '' is empty",
    ),
    "solidus above liquidus": (
        HEAD + "solidus_c = 1050\n",
        r"line 5.*solidus 1050 degC is above the liquidus 1038",
    ),
    "pouring below liquidus": (
        HEAD + "pouring_c = 1000\n",
        r"line 5.*pouring at 1000 degC is not above the liquidus",
    ),
    "composition above 100": (
        HEAD + 'composition = { Cu = ">=95", Al = "9-11" }\n',
        r"line 5.*add up to 104",
    ),
    "composition element": (
        HEAD + 'composition = { Xx = "<=1" }\n',
        r"line 5.*'Xx' is not a chemical element",
    ),
    "composition limit": (
        HEAD + 'composition = { Cu = "about 90" }\n',
        r"line 5.*'about 90' is not a limit",
    ),
    "typing error in the id": (
        'version = 1\n[[alloy]]\nid = "C9540"\ndensity_solid_g_cm3 = 7.5\n',
        r"line 3.*no alloy is named 'C9540'.*did you mean 'C95400'",
    ),
    "new without family": (
        'version = 1\n[[alloy]]\nid = "QM-1"\nname = "mill bronze"\n',
        r"line 2, alloy 'QM-1': a new alloy needs 'family'; .*: aluminium, .*tin bronze, .*zinc",
    ),
    "unknown family": (
        'version = 1\n[[alloy]]\nid = "QM-1"\nname = "x"\nfamily = "tin bronzes"\n',
        r"line 5.*'tin bronzes' is not allowed; did you mean 'tin bronze'.*allowed: aluminium",
    ),
    "family of a known alloy": (
        HEAD + 'family = "tin bronze"\n',
        r"line 5.*is of the family 'aluminium bronze'",
    ),
    "no id": ("version = 1\n[[alloy]]\nname = 'x'\n", r"line 2, alloy number 1: has no id"),
    "twice": (
        'version = 1\n[[alloy]]\nid = "LM25"\n[[alloy]]\nid = "lm 25"\n',
        r"line 4, alloy 'lm 25': stands twice in this file, first in line 2",
    ),
    "no version": ('[[alloy]]\nid = "LM25"\n', r"toml: has no version; begin the file with"),
    "unknown top key": ("version = 1\n[alloys]\n", r"line 2.*'alloys'.*did you mean 'alloy'"),
    "alloy as table": ('version = 1\n[alloy]\nid = "x"\n', r"\[\[alloy\]\]"),
    "source without citation": (
        "version = 1\n[source.a]\nmark = 'shop'\n",
        r"line 2, source 'a': has no citation",
    ),
    "unknown mark": (
        "version = 1\n[source.a]\ncitation = 'x'\nmark = 'sean'\n",
        r"line 4.*'sean' is not allowed; did you mean 'seen'",
    ),
    "basis of a density": (
        HEAD + "density_solid_g_cm3 = { at = 7.5, basis = 'part' }\n",
        r"line 5.*only a contraction has a basis",
    ),
    "key without its unit": (
        HEAD + "contraction = 2.0\n",
        r"line 5.*key 'contraction': unknown key; did you mean 'contraction_percent' or 'contr",
    ),
    "key inside a figure": (
        HEAD + "pouring_c = { hight = 1150, low = 1100 }\n",
        r"line 5.*key 'hight' of 'pouring_c': unknown key; did you mean 'high'",
    ),
    "figure and range": (
        HEAD + "pouring_c = { at = 1150, low = 1100 }\n",
        r"line 5.*key 'pouring_c': needs either one figure.*or a range",
    ),
    "table of its own": (
        HEAD + "[alloy.pouring_c]\nlow = 1100\nhigh = 'x'\n",
        r"line 7.*key 'high' of 'pouring_c': 'x' is not a temperature",
    ),
    "dotted keys": (
        HEAD + "pouring_c.low = 1100\npouring_c.high = 'x'\n",
        r"line 6.*key 'high' of 'pouring_c': 'x' is not a temperature",
    ),
    "caution word": (
        HEAD + "cautions = ['zinc']\n",
        r"line 5.*key 'cautions': 'zinc' is not allowed; did you mean 'zinc-fume'",
    ),
    "no elements": (HEAD + "composition = { note = 'x' }\n", r"line 5.*names no element"),
    "aliases": (HEAD + "aliases = 'x'\n", r"line 5.*is not a list"),
    "empty list": (HEAD + "pouring_c = []\n", r"line 5.*empty list"),
    "table word": (HEAD + "contraction_table = 'steel'\n", r"line 5.*'steel' is not allowed"),
}


@pytest.mark.parametrize("case", FAULTS)
def test_faults_are_told_with_line_key_and_rule(shop, case: str) -> None:
    text, pattern = FAULTS[case]
    with pytest.raises(DataFault) as caught:
        load_alloys(shop(text))
    message = caught.value.message
    assert "shop.toml" in message
    assert re.search(pattern, message), message
    assert message.endswith(".")
    assert "\n" not in message


def test_inner_names_are_told_only_where_they_were_written(shop) -> None:
    for value in ("20000", "true", "'x'", "nan"):
        with pytest.raises(DataFault) as caught:
            load_alloys(shop(HEAD + f"pouring_c = {value}\n"))
        assert "key 'pouring_c':" in caught.value.message
        assert "'at'" not in caught.value.message


def test_a_key_that_stands_twice(shop) -> None:
    with pytest.raises(DataFault, match=r"a key stands twice.*line 6"):
        load_alloys(shop(HEAD + "liquidus_c = 1038\nliquidus_c = 1040\n"))


def test_not_toml(shop) -> None:
    with pytest.raises(DataFault, match=r"not valid TOML.*line 2"):
        load_alloys(shop("version = 1\nid = = 2\n"))


def test_a_file_that_begins_with_a_byte_order_mark_is_read(tmp_path: Path) -> None:
    path = tmp_path / "shop.toml"
    text = 'version = 1\r\n[[alloy]]\r\nid = "LM25"\r\ncontraction_percent = 1.2\r\n'
    path.write_bytes(b"\xef\xbb\xbf" + text.encode())
    contraction = load_alloys(path).find("LM25").contraction
    assert contraction is not None
    assert contraction.usual == 1.2


def test_absent_file(tmp_path: Path) -> None:
    with pytest.raises(FileFault, match=r"nowhere\.toml"):
        load_alloys(tmp_path / "nowhere.toml")


def test_not_text(tmp_path: Path) -> None:
    path = tmp_path / "shop.toml"
    path.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(FileFault, match="UTF-8"):
        load_alloys(path)


VALUES = st.sampled_from(
    [
        "1",
        "-1",
        "0",
        "1e400",
        "-inf",
        "nan",
        "1" + "0" * 400,
        "true",
        '""',
        '"1/0 in/ft"',
        '"1/4 in/ft"',
        '"1930 degF"',
        '"... degF"',
        '"1.2.3 lb/in3"',
        '">=1.2.3"',
        '"1-2-3"',
        "[]",
        "[[]]",
        "{}",
        "{ at = [] }",
        "{ low = 1, high = {} }",
        "{ at = 1, source = 3 }",
        "{ Cu = 90 }",
        '{ Cu = "<=101" }',
        "2020-01-01",
        "'''\n[alloy]\n'''",
    ]
)
KEYS = st.sampled_from(
    (
        *("id", "name", "family", "aliases", "notes", "cautions", "composition"),
        *("contraction_table", "contraction_percent", "liquidus_c"),
        *("density_solid_g_cm3", "smallest_section_mm"),
    )
)


@given(st.dictionaries(KEYS, VALUES, max_size=4), st.booleans())
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_whatever_stands_there_only_our_errors_come(tmp_path_factory, entries, known) -> None:
    lines = ["version = 1", "[[alloy]]"]
    if "id" not in entries:
        lines.append('id = "C95400"' if known else 'id = "QM"')
    lines += [f"{key} = {value}" for key, value in entries.items()]
    path = tmp_path_factory.mktemp("shop") / "shop.toml"
    path.write_text("\n".join(lines), encoding="utf-8")
    message = f"{path} is right."
    try:
        load_alloys(path)
    except PatternprepError as fault:
        message = fault.message
    assert "shop.toml" in message
    assert len(message) < 1500


@pytest.mark.parametrize("text", ["x = " + "[" * 5000, "x = 1" + "0" * 5000, "version = true"])
def test_hostile_texts(shop, text: str) -> None:
    with pytest.raises(DataFault):
        load_alloys(shop(text))
