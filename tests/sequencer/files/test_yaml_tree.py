"""YAML text to a tree with positions.

Sources: YAML 1.2.2, chapter 10.3 (core schema, recalled from memory); PyYAML's own writer.
"""

import re

import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st

from sequencer.files import yaml_tree
from sequencer.files.yaml_tree import DEEPEST, FAST_LOADER, MOST_ALIASED, compose

LOADERS = [pytest.param(FAST_LOADER, id="fast"), pytest.param(yaml.SafeLoader, id="pure")]


def only_message(text, loader=FAST_LOADER):
    """Compose text that has one thing wrong and return (line, column, message)."""
    _, complaints = compose(text, "a.yaml", loader=loader)
    assert len(complaints) == 1, complaints
    return complaints[0].line, complaints[0].column, complaints[0].message


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("a: 1", 1),
        ("a: -7", -7),
        ("a: 1.5", 1.5),
        ("a: 1e3", 1000.0),
        ("a: true", True),
        ("a: null", None),
        ("a: ~", None),
        ("a:", None),
        ("a: '1'", "1"),
        ("a: !!str 1", "1"),
        ("a: no", "no"),
        ("a: on", "on"),
        ("a: 010", "010"),
        ("a: 0x1F", "0x1F"),
        ("a: 1:30", "1:30"),
        ("a: 1_000", "1_000"),
        ("a: 2027-06-30", "2027-06-30"),
        ("a: .inf", ".inf"),
        ("a: .nan", ".nan"),
        ("a: 1e999", "1e999"),
        ("a: " + "9" * 400, "9" * 400),
        ("a: .", "."),
        ("a: .5", 0.5),
        ("a: E0", "E0"),
        ("a: .e1", ".e1"),
        ("a: +", "+"),
        ("a: -", ["-"]),
    ],
)
def test_scalars_follow_the_narrowed_core_schema(text, expected):
    """What YAML 1.1 reads in a surprising way (010, 1:30, no) stays text; what is not finite is no number."""
    source, complaints = compose(text, "a.yaml")
    if expected == [
        "-"
    ]:  # a dash alone opens a list with nothing in it, which is not allowed on a key's line
        assert complaints
        return
    assert not complaints
    found = source.root.plain()["a"]
    assert found == expected
    assert type(found) is type(expected)


# PyYAML itself does not read back what it writes for the line breaks of YAML 1.1
_TEXT = st.characters(codec="utf-8", exclude_characters="\x85\u2028\u2029")


def _is_text_to_all(text):
    """PyYAML writes 0E0 without quotes: to YAML 1.1 it is text, to YAML 1.2, which is read here, a number."""
    return not re.fullmatch(r"[-+]?[0-9]+[eE][-+]?[0-9]+", text)


json_like = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(10**15), 10**15)
    | st.text(_TEXT, max_size=10).filter(_is_text_to_all),
    lambda inner: (
        st.lists(inner, max_size=4) | st.dictionaries(st.from_regex(r"[a-z]{1,6}", fullmatch=True), inner)
    ),
    max_leaves=20,
)


@pytest.mark.parametrize("loader", LOADERS)
@given(value=st.dictionaries(st.from_regex(r"[a-z]{3,6}", fullmatch=True), json_like, min_size=1, max_size=4))
def test_what_pyyaml_writes_is_read_back(loader, value):
    """The tree of what PyYAML writes is the value it was given, but for text no file of ours may hold."""
    text = yaml.safe_dump(value, allow_unicode=True)
    source, complaints = compose(text, "a.yaml", loader=loader)
    if any("the character U+" in complaint.message for complaint in complaints):
        return
    if not complaints:
        assert source.root.plain() == value
    else:
        assert all("a key is text" in one.message for one in complaints)  # a key such as 'null' or 'true'


@pytest.mark.parametrize("loader", LOADERS)
def test_positions_count_characters_from_one(loader):
    """Line and column are those of an editor: characters, not bytes, from 1."""
    source, _ = compose("# µ\na: {µµ: 'x', b: [1, 22]}\n", "a.yaml", loader=loader)
    assert str(source.where("a", "µµ")) == "a.yaml:2:9"
    assert str(source.where("a", "µµ", key=True)) == "a.yaml:2:5"
    assert str(source.where("a", "b", 1)) == "a.yaml:2:21"
    assert str(source.where("a", "b", 9)) == "a.yaml:2:17"  # what is not there: the nearest that is
    assert str(source.where("absent")) == "a.yaml:2:1"


def test_later_stages_complain_with_the_line():
    """A complaint made from a source shows the line it speaks of, with the pointer under the value."""
    source, _ = compose("checks:\n  - {channel: 41}\n", "a.yaml")
    complaint = source.complain(("checks", 0, "channel"), "no channel 41", allowed="channels 1 to 40")
    assert str(complaint).split("\n") == [
        "a.yaml:2:15: no channel 41",
        "      - {channel: 41}",
        "                  ^",
        "    allowed: channels 1 to 40",
    ]


@pytest.mark.parametrize("loader", LOADERS)
@pytest.mark.parametrize(
    ("text", "line", "column", "said"),
    [
        ("", 1, 1, "empty"),
        ("# only a comment\n", 1, 1, "empty"),
        ("a: 1\na: 2", 2, 1, "appears twice"),
        ("a: {1: x, '1': y}", 1, 11, "appears twice"),
        ("a: 1\n---\nb: 2", 2, 1, "second document"),
        ("a: !!python/object/apply:os.system ['true']", 1, 4, "tag '!!python/object/apply:os.system'"),
        ("a: !own 3", 1, 4, "tag '!own'"),
        ("a: &x [1, *x]", 1, 11, "stands inside"),
        ("a: &x {b: *x}", 1, 11, "stands inside"),
        ("a: *nowhere", 1, 4, None),  # the pure loader's parser does not know either: the composer does
        ("? [1, 2]\n: x", 1, 3, "a key is text, not a list"),
        ("null: x", 1, 1, "a key is text"),
        ("true: x", 1, 1, "a key is text"),
        ("b: &b {c: 1}\na:\n  <<: *b", 3, 3, "merge keys"),
        ("a: [1", None, None, "not YAML"),
        ("a:\n\tb: 1", 2, 1, "not YAML"),
        ("a: b: c", 1, 5, "not YAML"),
        ("a: 'x", None, None, "not YAML"),
        ("a: \0", 1, 4, "NUL"),
        ("a: x\n\x1b[2J", 2, 1, "U+001B"),
        ('a: "\\0"', 1, 4, "U+0000"),
        ('a: "\\ud800"', None, None, None),
    ],
)
def test_what_is_wrong_is_named_where_it_stands(loader, text, line, column, said):
    """Each way a text can fail as YAML is one complaint at its place."""
    found_line, found_column, message = only_message(text, loader)
    if line is not None:
        assert (found_line, found_column) == (line, column)
    assert (said or "") in message


def test_a_tab_is_explained():
    """A tab used to indent is named as the cause."""
    _, complaints = compose("a:\n\tb: 1", "a.yaml")
    assert "YAML does not allow tabs" in complaints[0].hint


@pytest.mark.parametrize("loader", LOADERS)
@pytest.mark.parametrize("opening", ["[", "{a: ", "- ", "? "])
def test_depth_bomb_is_refused(loader, opening):
    """A hundred thousand openings are refused, whatever the recursion limit."""
    source, complaints = compose(
        opening * (100_000 if loader is FAST_LOADER else 2_000), "a.yaml", loader=loader
    )
    assert source is None
    assert len(complaints) == 1
    assert "deep" in complaints[0].message or "depth" in complaints[0].message


def test_nesting_that_people_write_is_allowed():
    """Nesting below the bound is read."""
    depth = DEEPEST - 1
    source, complaints = compose("a: " + "[" * depth + "1" + "]" * depth, "a.yaml")
    assert source is not None
    assert not complaints


def alias_bomb(levels):
    """Return the text of the well-known bomb: each level repeats the one below ten times."""
    lines = ["a0: &a0 [x, x, x, x, x, x, x, x, x, x]"]
    lines += [f"a{n}: &a{n} [{', '.join([f'*a{n - 1}'] * 10)}]" for n in range(1, levels)]
    return "\n".join(lines)


@pytest.mark.parametrize("loader", LOADERS)
def test_alias_bomb_is_refused(loader):
    """Aliases that would expand to a thousand million values are refused before they are expanded."""
    source, complaints = compose(alias_bomb(9), "a.yaml", loader=loader)
    assert source is None
    assert f"{MOST_ALIASED} values" in complaints[0].allowed


def test_deep_alias_chain_is_refused():
    """Aliases that nest one in another deeper than the bound are refused."""
    lines = ["a0: &a0 [x]"] + [f"a{n}: &a{n} [*a{n - 1}]" for n in range(1, 100)]
    source, complaints = compose("\n".join(lines), "a.yaml")
    assert source is None
    assert "levels" in complaints[0].allowed


def test_small_aliases_are_read():
    """An ordinary alias stands for its anchor's value, and its position is where the value was written."""
    source, complaints = compose("a: &limit {max: 4 W}\nb: *limit\n", "a.yaml")
    assert not complaints
    assert source.root.plain() == {"a": {"max": "4 W"}, "b": {"max": "4 W"}}
    assert str(source.where("b", "max")) == "a.yaml:1:17"


@given(text=st.text(alphabet=st.sampled_from("ab:-[]{}&*!?|>'\"%@#\t\n ,1.~<\0µ\u2028\x85"), max_size=60))
def test_any_text_ends_in_a_tree_or_a_complaint(text):
    """No text raises, and where there is no tree there is a complaint with a line of the text."""
    source, complaints = compose(text, "a.yaml")
    assert source is not None or complaints
    for complaint in complaints:
        assert complaint.line >= 1
        assert complaint.column >= 1
        assert str(complaint)


def test_what_is_no_character_of_yaml_is_found_and_nothing_else() -> None:
    """YAML 1.2.2, production 1 (c-printable), over all of Unicode."""
    printable = {0x09, 0x0A, 0x0D, 0x85, *range(0x20, 0x7F), *range(0xA0, 0xD800), *range(0xE000, 0xFFFE)}
    printable |= set(range(0x10000, 0x110000))
    found = {ord(one) for one in map(chr, range(0x110000)) if yaml_tree._NOT_YAML.match(one)}
    assert found == set(range(0x110000)) - printable
