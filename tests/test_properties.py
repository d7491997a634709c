"""What holds for any input: no text crashes a reader, one broken field is always found, names and sentences behave."""

from __future__ import annotations

import functools
import random
import re
import tempfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from kg.build import Sources
from kg.catalogue import read as read_catalogue
from kg.database import open_database
from kg.derive import derive, load_rules
from kg.graph import Dataset, table_quads, vocabulary_quads
from kg.mappings import read_mappings
from kg.problem import BuildError, Problem
from kg.tables import Column, Row, Table, check_references, is_unit, load_tables, read_rows
from kg.wording import fold, inside, magnitude, sentence
from tests.miniature import REPOSITORY, Miniature, write_miniature, write_table

PLENTY = settings(max_examples=200, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
FEW = settings(max_examples=8, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> Miniature:
    """A miniature that tests of this module break and mend."""
    return write_miniature(tmp_path_factory.mktemp("miniature") / "checkout")


@functools.cache
def _tables() -> dict[str, Table]:
    """The tables by name; not a fixture, because Hypothesis would print all of it for each example."""
    return {table.name: table for table in load_tables(REPOSITORY / "ontology" / "facts")}


# One broken field

def _breakings(column: Column) -> st.SearchStrategy[str]:
    """Texts that the column must refuse."""
    kinds = [
        st.sampled_from(["\x00", "\x07", "\x1b", "\x7f", "\x9f", "\u2028"]).map(lambda c: f"a{c}b"),
        st.sampled_from([" a", "a ", "\ta", "a\u00a0", " "]),
        st.integers(4001, 5000).map(lambda n: "x" * n),
    ]
    if column.parser.required:
        kinds.append(st.just(""))
    if column.datatype in ("decimal", "integer"):
        kinds.append(st.text(st.characters(categories=["L", "P", "Nd"], exclude_characters="0123456789"), min_size=1, max_size=8))
        kinds.append(st.sampled_from(["1,5", "1e3", "1 000", "NaN", "INF", "+1", ".5", "5.", "--1", "0x10", "1_0"]))
    if "|" in column.allowed:
        kinds.append(st.text(st.characters(categories=["Ll"]), min_size=1, max_size=12)
                     .filter(lambda text: text not in column.allowed.split("|")))
    if column.many:
        kinds.append(st.sampled_from(["a;;b", ";a", "a;", "a;a", "a; b"]))
    if column.refers_to:
        kinds.append(st.from_regex(r"zz-[a-z]{1,9}", fullmatch=True))
    if column.is_unit:
        kinds.append(st.sampled_from(["millimol", "mg per dL", "mmol//L", "µ", "%%"]))
    return st.one_of(kinds)


@PLENTY
@given(data=st.data())
def test_any_row_with_one_field_broken_is_refused_by_its_number(data: st.DataObject, small: Miniature) -> None:
    table = _tables()[data.draw(st.sampled_from(sorted(_tables())))]
    rows = small.rows(table.name)
    number = data.draw(st.integers(2, len(rows)))
    column = data.draw(st.sampled_from(table.columns))
    rows[number - 1][rows[0].index(column.name)] = data.draw(_breakings(column))
    with tempfile.TemporaryDirectory() as folder:
        broken = Path(folder) / table.path.name
        write_table(broken, rows)
        good, problems = read_rows(table, broken)
    if not problems:
        others = [row for other in _tables().values() if other is not table for row in read_rows(other, small.table(other.name))[0]]
        problems = check_references([*others, *good])
    assert (table.path.name, number, column.name) in {(p.where, p.row, p.field) for p in problems}
    assert {p.row for p in problems if p.where == table.path.name} == {number}
    assert all(p.what and p.fix for p in problems)


# Any file

_CELLS = st.text(st.characters(exclude_categories=["Cs"]), max_size=12)
_FILES = st.one_of(
    st.binary(max_size=300),
    st.text(max_size=300).map(lambda text: text.encode("utf-8", "surrogatepass")),
    st.lists(st.lists(_CELLS, max_size=9), max_size=6).map(lambda rows: "\n".join(",".join(row) for row in rows).encode()),
)


def _only_problems(read: Callable[[Path], list[Problem]], content: bytes) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "any.csv"
        path.write_bytes(content)
        for problem in read(path):
            assert isinstance(problem, Problem) and problem.where == "any.csv" and problem.what
            assert 0 <= problem.row <= content.count(b"\n") + content.count(b"\r") + 1


@settings(parent=PLENTY, max_examples=200)
@given(content=_FILES, header=st.booleans())
@example(content=b'"', header=True)
@example(content=b"a\x00b", header=True)
@example(content=b"\xff\xfe", header=False)
@example(content=b"a,b\r\rc", header=True)
def test_the_table_reader_never_raises_whatever_the_file_holds(content: bytes, header: bool) -> None:
    table = _tables()["composition"]
    first = ",".join(column.name for column in table.columns).encode() + b"\n" if header else b""
    _only_problems(lambda path: read_rows(table, path)[1], first + content)


@PLENTY
@given(content=_FILES, header=st.booleans())
def test_the_mapping_reader_never_raises_whatever_the_file_holds(content: bytes, header: bool) -> None:
    first = b"subject_id\tpredicate_id\tobject_id\tmapping_justification\n" if header else b""
    _only_problems(lambda path: read_mappings(path, ["potassium"])[1], first + content)


@settings(parent=PLENTY, max_examples=60)
@given(content=_FILES)
def test_a_catalogue_of_any_content_gives_rows_or_problems(content: bytes, small_build: Path) -> None:
    connection = open_database(str(small_build))

    def read(path: Path) -> list[Problem]:
        try:
            read_catalogue(path, connection)
        except BuildError as error:
            return error.problems
        return []

    _only_problems(read, content)
    connection.close()


@PLENTY
@given(st.text(max_size=40))
@example("(" * 3000)
@example("m." * 2000)
def test_asking_whether_a_text_is_a_unit_never_raises(text: str) -> None:
    assert is_unit(text) in (True, False)


# Names and sentences

@settings(parent=PLENTY, max_examples=500)
@given(st.text(max_size=30))
@example("a . . b")
@example("℡ İ ß ﬁ Å")
@example("Ca²⁺ α-1 ½ .")
def test_folding_a_name_twice_changes_nothing_more(text: str) -> None:
    once = fold(text)
    assert fold(once) == once
    assert once == once.strip() and "  " not in once
    assert re.fullmatch(r"[a-z0-9.% ]*", once)


@PLENTY
@given(st.text(st.sampled_from("abcXYZ019 ,-/()αé"), max_size=20))
def test_letter_case_and_blanks_do_not_matter_to_a_name(text: str) -> None:
    assert fold(text.upper()) == fold(text.lower()) == fold(f"  {text}\t") == fold(text.replace(" ", "   "))


@PLENTY
@given(data=st.data())
def test_no_sentence_of_any_table_leaves_a_brace_a_bracket_of_its_own_or_a_double_blank(data: st.DataObject) -> None:
    table = _tables()[data.draw(st.sampled_from(sorted(_tables())))]
    word = st.text(st.characters(categories=["L", "N"]), max_size=8)
    words = {column.name: data.draw(word) for column in table.columns}
    said = sentence(table.sentence, words)
    assert not re.search(r"[{}\[\]]", said)
    assert "  " not in said and said == said.strip()


@PLENTY
@given(data=st.data())
def test_no_word_is_lost_from_a_sentence_or_filled_in_twice_even_when_it_holds_a_brace(data: st.DataObject) -> None:
    unit = data.draw(st.sampled_from(["{copies}/mL", "{INR}", "{titer}", "10*9/L", "[IU]/mL", "mL/min/{1.73_m2}", "{low}", "{name}"]))
    said = sentence("{name}[ is {low} to {high} {unit}]", {"name": "It", "low": "2", "high": "3", "unit": unit})
    assert "{" not in said and "}" not in said
    assert said == f"It is 2 to 3 {unit.replace('{', '').replace('}', '')}"


@PLENTY
@given(low=st.none() | st.floats(-1e6, 1e6), high=st.none() | st.floats(-1e6, 1e6), unit=st.sampled_from([None, "1", "%", "mmol/L"]))
def test_a_size_is_said_with_its_unit_or_not_at_all(low: float | None, high: float | None, unit: str | None) -> None:
    said = magnitude(low, high, unit)
    assert bool(said) == (low is not None or high is not None)
    if said and unit and unit != "1":
        assert said.endswith(f" {unit}")
    if low == high:
        assert " to " not in said


@PLENTY
@given(st.text(max_size=20))
def test_a_label_inside_a_sentence_differs_in_its_first_letter_only(label: str) -> None:
    assert inside(label)[1:] == label[1:] or len(label[:1].lower()) > 1
    assert inside(label).casefold() == label.casefold()


# The order of rows

def _derived(sources: Sources, shuffle: Callable[[str, list[Row]], None]) -> tuple[set[str], set[str]]:
    rows: dict[str, list[Row]] = {}
    dataset = Dataset()
    dataset.add(vocabulary_quads(sources.ontology / "vocabulary.ttl"))
    for table in load_tables(sources.ontology / "facts"):
        rows[table.name] = read_rows(table)[0]
        shuffle(table.name, rows[table.name])
        dataset.add(table_quads(table, [replace(row, line=n) for n, row in enumerate(rows[table.name], 2)]))
    before = len(dataset.quads)
    derive(dataset, load_rules(sources.queries / "rules"))
    derived = {str(quad) for quad in dataset.quads[before:]}
    assert len(derived) > 100
    return derived, {str(quad) for quad in dataset.quads[:before]}


@FEW
@given(seed=st.integers(0, 2**32), names=st.lists(st.sampled_from(["species", "composition", "binding", "measurands", "analytes",
                                                                  "additives", "factors", "process_turnover"]),
                                                  min_size=2, max_size=2, unique=True))
def test_the_order_of_rows_does_not_change_what_is_derived(seed: int, names: list[str], small: Miniature) -> None:
    order = random.Random(seed)

    def shuffle(name: str, rows: list[Row]) -> None:
        if name in names:
            order.shuffle(rows)

    assert _derived(small.sources, shuffle)[0] == _derived(small.sources, lambda name, rows: None)[0]


def test_the_order_of_rows_does_not_change_the_answers_of_the_built_database(small_sources: Miniature, small_build: Path,
                                                                            tmp_path: Path) -> None:
    for name in ("species", "composition", "analytes", "additive_effects"):
        header, *rows = small_sources.rows(name)
        small_sources.write_rows(name, [header, *reversed(rows)])
    small_sources.build(tmp_path / "tubelore.sqlite")
    said = []
    for path in (small_build, tmp_path / "tubelore.sqlite"):
        connection = open_database(str(path))
        said.append([sorted(map(tuple, connection.execute(f"SELECT {columns} FROM {table}"))) for table, columns in (
            ("effect", "id, cause, analyte, direction, status, agreement"), ("closure", "narrower, broader, distance"),
            ("proof", "id, conclusion, rule"), ("premise", "proof, position, fact"), ("fact", "id, sentence"),
            ("contradiction", "effect, explanation"), ("name", "folded, concept, name, sort"))])
        connection.close()
    assert said[0] == said[1]
