"""YAML 1.2 as the configuration reads it.

Source of the core schema: YAML 1.2.2 (2021), section 10.3.2 (tag resolution) and examples 10.9
(its table of presentations); values from memory, confirmed by the regular expressions there.
"""

from __future__ import annotations

import math
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from contactd.config import yaml12
from contactd.config.yaml12 import Node, parse
from contactd.core.errors import InputError

CORE_SCHEMA = [
    ("null", None),
    ("Null", None),
    ("NULL", None),
    ("~", None),
    ("", None),
    ("true", True),
    ("True", True),
    ("FALSE", False),
    ("0", 0),
    ("-19", -19),
    ("+12", 12),
    ("0o7", 7),
    ("0o17", 15),
    ("017", 17),
    ("0x3A", 58),
    ("0.", 0.0),
    ("-0.0", -0.0),
    (".5", 0.5),
    ("+12e03", 12000.0),
    ("-2E+05", -200000.0),
    ("1e3", 1000.0),
    (".inf", math.inf),
    ("-.Inf", -math.inf),
    ("+.INF", math.inf),
]
TEXT_IN_CORE_SCHEMA = [
    "no",
    "Yes",
    "on",
    "off",
    "y",
    "nULL",
    "tRUE",
    "12:30:00",
    "1:20",
    "2026-12-03",
    "2026-12-03T08:00:00Z",
    "1_000",
    "0b101",
    "0o8",
    "0xG",
    "-0x1F",
    ".",
    "1.2.3",
    "+",
    "1e",
    "inf",
    ".nAn",
    "6h 30min",
]


@pytest.mark.parametrize(("written", "value"), CORE_SCHEMA)
def test_plain_scalars_mean_what_the_core_schema_says(written: str, value: Any) -> None:
    found = parse(f"[ {written} ]".encode()).value if written else parse(b"-").value
    assert found == [value]
    assert type(found[0]) is type(value)


@pytest.mark.parametrize("written", [".nan", ".NaN", ".NAN"])
def test_not_a_number_is_a_number(written: str) -> None:
    assert math.isnan(parse(f"- {written}".encode()).value[0])


@pytest.mark.parametrize("written", TEXT_IN_CORE_SCHEMA)
def test_what_older_yaml_takes_for_other_things_is_text(written: str) -> None:
    assert parse(f"key: {written}".encode()).value == {"key": written}


@pytest.mark.parametrize("written", ["'12'", '"true"', "!!str 12", "! 12", "|\n  12", ">-\n  12"])
def test_quoted_and_block_scalars_are_text(written: str) -> None:
    assert isinstance(parse(f"key: {written}".encode()).value["key"], str)


def test_tags_of_the_core_schema_may_be_written_out() -> None:
    text = b"a: !!int 3\nb: !!float 3\nc: !!bool true\nd: !!null ~\ne: !!seq []\nf: !!map {}\n"
    found = parse(text).value
    assert found == {"a": 3, "b": 3.0, "c": True, "d": None, "e": [], "f": {}}
    assert type(found["b"]) is float


def test_every_key_and_value_keeps_its_place() -> None:
    root = parse("étoile: 1\nlist:\n  - {a: 2,\n     b: 'x'}\n".encode())
    assert root.keys == {"étoile": (1, 1), "list": (2, 1)}
    assert (root.children["étoile"].line, root.children["étoile"].column) == (1, 9)
    item = root.children["list"].children[0]
    assert (item.line, item.column) == (3, 5)
    assert item.keys == {"a": (3, 6), "b": (4, 6)}
    assert (item.children["b"].line, item.children["b"].column) == (4, 9)


@pytest.mark.parametrize("line_end", ["\n", "\r\n", "\r"])
def test_lines_are_counted_alike_whatever_ends_them(line_end: str) -> None:
    root = parse(line_end.join(["a: 1", "# c", "b: 2", ""]).encode())
    assert root.keys["b"] == (3, 1)


def test_a_byte_order_mark_is_skipped() -> None:
    assert parse(b"\xef\xbb\xbfa: 1").value == {"a": 1}


def test_aliases_are_written_out_and_keep_the_place_of_what_they_name() -> None:
    root = parse(b"a: &x {b: 1}\nc: *x\n")
    assert root.value == {"a": {"b": 1}, "c": {"b": 1}}
    assert root.children["c"].line == 1


@pytest.mark.parametrize("text", ["", "\n", "# only a remark\n", "---\n", "---\n...\n"])
def test_an_empty_document_is_nothing(text: str) -> None:
    assert parse(text.encode()).value is None


def refusal(data: bytes) -> InputError:
    with pytest.raises(InputError) as caught:
        parse(data)
    assert caught.value.line >= 1
    return caught.value


@pytest.mark.parametrize(
    ("data", "line", "column"),
    [
        (b"a: 1\na: 2\n", 2, 1),
        (b"a:\n  b: 1\n  c: 2\n  b: 3\n", 4, 3),
        (b"a: {b: 1, b: 2}\n", 1, 11),
        (b"a: 1\n2: b\n", 2, 1),
        (b"? [a]\n: b\n", 1, 3),
        (b"true: b\n", 1, 1),
        (b"a: &x [*x]\n", 1, 8),
        (b"a: *y\n", 1, 4),
        (b"a: 1\n--- \nb: 2\n", 2, 1),
        (b"a: !mine 1\n", 1, 4),
        (b"a: !!set {b}\n", 1, 4),
        (b"a: !!int b\n", 1, 4),
        (b"a: b\x00c\n", 1, 5),
        (b"a: \xff\n", 1, 4),
        (b"a:\n\tb: 1\n", 2, 1),
        (b"a: 1\n b: 2\n", 2, 3),
        (b"\xff\xfea\x00", 1, 1),
    ],
)
def test_what_is_no_single_document_is_refused_where_it_stands(
    data: bytes, line: int, column: int
) -> None:
    error = refusal(data)
    assert (error.line, error.column) == (line, column)


def test_a_key_given_twice_names_its_whole_path() -> None:
    assert refusal(b"a:\n - b: 1\n - c:\n    d: 1\n    d: 2\n").key == "a[1].c.d"


def test_a_number_of_too_many_digits_is_refused() -> None:
    assert "digits" in refusal(b"a: " + b"9" * 5000).expected


def test_a_file_that_is_too_long_is_refused_unread() -> None:
    assert "bytes" in refusal(b"#" * (yaml12.MOST_BYTES + 1)).expected


@pytest.mark.parametrize("bracket", ["[", "{a: ", "- "])
@pytest.mark.parametrize("depth", [100, 20_000])
def test_deep_nesting_is_refused(bracket: str, depth: int) -> None:
    assert "nesting" in refusal((bracket * depth).encode()).expected


def test_aliases_that_expand_beyond_bounds_are_refused() -> None:
    lines = ["a0: &a0 [x, x, x, x, x, x, x, x, x, x]"]
    lines += [f"a{n}: &a{n} [{', '.join([f'*a{n - 1}'] * 10)}]" for n in range(1, 60)]
    assert "aliases" in refusal("\n".join(lines).encode()).expected


def test_as_many_values_as_allowed_are_read_and_one_more_is_not() -> None:
    fitting = b"[" + b"a," * (yaml12.MOST_VALUES - 1) + b"]"
    assert parse(fitting).size == yaml12.MOST_VALUES
    assert "values" in refusal(b"[a," + fitting[1:]).expected


# What must hold for any input.

_BITS = "a|b|[|]|{|}|,|'|>|#|%|---|...|?|<<|12|0x1F|.nan|é|&x|*x|!|!!int|:|-| |  |\n|\t|\\|\"|: |- "
YAML_BITS = st.sampled_from([*_BITS.split("|"), "|"])


@settings(max_examples=400)
@given(st.lists(YAML_BITS, max_size=40).map("".join))
def test_any_text_is_read_or_refused_with_a_place(text: str) -> None:
    read_or_refused(text.encode())


@settings(max_examples=200)
@given(st.binary(max_size=200))
def test_any_bytes_are_read_or_refused_with_a_place(data: bytes) -> None:
    read_or_refused(data)


def read_or_refused(data: bytes) -> None:
    refused: InputError | None = None
    try:
        check_places(parse(data))
    except InputError as error:
        refused = error
    assert refused is None or (refused.line >= 1 and refused.expected)


def check_places(node: Node) -> None:
    assert node.line >= 1
    assert node.column >= 1
    for key, child in node.children.items():
        assert node.value[key] is child.value
        check_places(child)


PRINTABLE = st.text(st.characters(codec="utf-8", categories=("L", "N", "P", "S", "Zs")), max_size=8)
PLAIN_VALUES = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(10**20), 10**20)
    | PRINTABLE
    | st.floats(allow_nan=False, allow_infinity=False),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(PRINTABLE, inner, max_size=3),
    max_leaves=8,
)


@settings(max_examples=200)
@given(PLAIN_VALUES)
def test_values_written_as_json_are_read_back(value: Any) -> None:
    """JSON is a subset of YAML 1.2 (section 1.2), so another library's writer can be the judge."""
    import json

    assert parse(json.dumps([value], ensure_ascii=False).encode()).value == [value]


@settings(max_examples=200)
@given(st.lists(YAML_BITS, max_size=25).map("".join))
def test_the_pure_python_parser_reads_what_the_compiled_one_reads(text: str) -> None:
    if yaml12._CParser is None:
        pytest.skip("PyYAML has no compiled parser here")
    compiled, kept = outcome(text), yaml12._CParser
    yaml12._CParser = None
    try:
        pure = outcome(text)
    finally:
        yaml12._CParser = kept
    # They may differ in what they refuse, never in what they both read.
    assert compiled is None or pure is None or compiled == pure


def outcome(text: str) -> str | None:
    try:
        return repr(parse(text.encode()).value)
    except InputError:
        return None
