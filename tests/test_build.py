"""What a build promises: the same bytes each time, all or nothing, and every statement with its ground."""

from __future__ import annotations

import csv
import hashlib
import json
import signal
import sqlite3
import subprocess
import sys
import time
from collections import defaultdict, deque
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

import pytest

from tests.kinship import kinship
from tests.miniature import REPOSITORY, Miniature, run_command

Contents = Callable[[Path], dict[str, bytes]]
FACTS = REPOSITORY / "ontology" / "facts"
SUFFIXES = (".sqlite", ".nq", ".ttl")
CHEMICAL = {"chelation", "cation-contamination", "enzyme-inhibition", "cofactor-removal", "dilution"}


@pytest.fixture
def raw(database: Path) -> Iterator[sqlite3.Connection]:
    """The full database without the guard of questions, still read-only."""
    with closing(sqlite3.connect(f"file:{database}?mode=ro", uri=True)) as opened:
        yield opened


def _digests(database: Path) -> list[str]:
    return [hashlib.sha256(database.with_suffix(suffix).read_bytes()).hexdigest() for suffix in SUFFIXES]


# The same bytes

def test_two_builds_of_the_miniature_are_byte_identical_whatever_the_hash_seed(small_sources: Miniature, tmp_path: Path) -> None:
    made = []
    for seed in ("0", "12345"):
        output = tmp_path / seed / "tubelore.sqlite"
        done = small_sources.command("build", "--output", str(output), PYTHONHASHSEED=seed)
        assert done.returncode == 0, done.stderr
        made.append(_digests(output))
    assert made[0] == made[1]


def test_two_builds_of_the_shipped_knowledge_are_byte_identical_whatever_the_hash_seed(database: Path, tmp_path: Path) -> None:
    done = run_command("build", "--output", str(tmp_path / "tubelore.sqlite"), PYTHONHASHSEED="2")
    assert done.returncode == 0, done.stderr
    assert _digests(tmp_path / "tubelore.sqlite") == _digests(database)


# All or nothing

def test_a_build_killed_while_it_writes_leaves_the_earlier_files_as_they_were(
        small_sources: Miniature, previous: Path, contents: Contents) -> None:
    before = contents(previous.parent)
    code = "import sys; from kg.cli import main; sys.exit(main())"
    process = subprocess.Popen([sys.executable, "-c", code, "build", "--output", str(previous)], cwd=REPOSITORY,
                               stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    deadline = time.monotonic() + 400
    while not list(previous.parent.glob(".tubelore-*/new.sqlite")) and process.poll() is None and time.monotonic() < deadline:
        time.sleep(0.01)
    process.kill()
    assert process.wait() == -signal.SIGKILL, "the build ended before it was killed"
    assert contents(previous.parent) == before
    small_sources.build(previous)
    assert contents(previous.parent) == before, "the next build is hindered by what the killed one left"


@pytest.mark.parametrize("limit", [64 * 1024, 500 * 1024], ids=["at the first pages", "half-way"])
def test_a_build_that_cannot_write_on_says_so_and_leaves_the_earlier_files(
        limit: int, small_sources: Miniature, previous: Path, contents: Contents) -> None:
    sizes = {suffix: previous.with_suffix(suffix).stat().st_size for suffix in SUFFIXES}
    assert max(sizes.values()) > limit, sizes
    before = contents(previous.parent)
    code = (f"import resource, sys; resource.setrlimit(resource.RLIMIT_FSIZE, ({limit}, {limit})); "
            "from kg.cli import main; sys.exit(main())")
    done = subprocess.run([sys.executable, "-c", code, "build", "--output", str(previous)], cwd=small_sources.root,
                          capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == 1
    assert "cannot be written" in done.stderr and "Traceback" not in done.stderr
    assert contents(previous.parent) == before
    assert not list(previous.parent.glob(".tubelore-*"))


@pytest.mark.parametrize("suffix", SUFFIXES)
def test_a_folder_in_place_of_an_output_file_stops_the_build_and_leaves_the_other_files(
        suffix: str, small_sources: Miniature, previous: Path, contents: Contents) -> None:
    previous.with_suffix(suffix).unlink()
    previous.with_suffix(suffix).mkdir()
    before = contents(previous.parent)
    done = small_sources.command("build", "--output", str(previous))
    assert done.returncode == 1
    assert str(previous.with_suffix(suffix)) in done.stderr and "cannot be written" in done.stderr
    assert "Traceback" not in done.stderr
    assert contents(previous.parent) == before


@pytest.mark.parametrize("output", ["/proc/no-such-folder/tubelore.sqlite", "file/tubelore.sqlite"])
def test_an_output_folder_that_cannot_be_made_is_named(output: str, small_sources: Miniature) -> None:
    (small_sources.root / "file").write_text("not a folder", encoding="utf-8")
    done = small_sources.command("build", "--output", output)
    assert done.returncode == 1
    assert "cannot be written" in done.stderr and "Traceback" not in done.stderr


# Every statement has its ground

def test_every_asserted_effect_has_a_source_and_a_basis_and_every_derived_one_a_proof(raw: sqlite3.Connection) -> None:
    bare = raw.execute("SELECT id FROM effect WHERE status = 'asserted' AND (source IS NULL OR basis IS NULL)").fetchall()
    unproved = raw.execute("SELECT id FROM effect WHERE status <> 'asserted' AND id NOT IN (SELECT conclusion FROM proof)").fetchall()
    both = raw.execute("SELECT id FROM effect WHERE status = 'derived' AND source IS NOT NULL").fetchall()
    assert (bare, unproved, both) == ([], [], [])
    assert {status for (status,) in raw.execute("SELECT DISTINCT status FROM effect")} == {"asserted", "derived"}


def test_every_premise_is_a_fact_and_every_proof_has_premises_counted_from_one(raw: sqlite3.Connection) -> None:
    facts = {fact for (fact,) in raw.execute("SELECT id FROM fact")}
    positions = defaultdict(list)
    for proof, position, fact in raw.execute("SELECT proof, position, fact FROM premise"):
        assert fact in facts
        positions[proof].append(position)
    proofs = {proof for (proof,) in raw.execute("SELECT id FROM proof")}
    assert set(positions) == proofs
    assert all(sorted(found) == list(range(1, len(found) + 1)) for found in positions.values())


def test_no_conclusion_rests_on_itself(raw: sqlite3.Connection) -> None:
    rests_on = defaultdict(set)
    for conclusion, fact in raw.execute("SELECT conclusion, fact FROM proof JOIN premise ON proof.id = premise.proof"):
        rests_on[conclusion].add(fact)
    done: set[str] = set()
    for start in rests_on:
        path: list[str] = []
        stack = [(start, False)]
        while stack:
            node, leaving = stack.pop()
            if leaving:
                path.pop()
                done.add(node)
            elif node not in done:
                assert node not in path, " <- ".join([*path, node])
                path.append(node)
                stack.append((node, True))
                stack.extend((fact, False) for fact in sorted(rests_on.get(node, ())))
    assert len(done) > len(rests_on)


def test_every_rule_concludes_something(raw: sqlite3.Connection) -> None:
    assert raw.execute("SELECT id FROM rule WHERE id NOT IN (SELECT rule FROM proof)").fetchall() == []


def test_foreign_keys_hold_and_sqlite_finds_the_file_sound(raw: sqlite3.Connection) -> None:
    assert raw.execute("PRAGMA foreign_key_check").fetchall() == []
    assert raw.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    keyed = [name for (name,) in raw.execute("SELECT name FROM sqlite_master WHERE type = 'table'")
             if raw.execute(f'PRAGMA foreign_key_list("{name}")').fetchall()]
    assert {"effect", "premise", "proof", "stability", "composition"} <= set(keyed)


def test_every_row_of_every_table_is_in_the_database(raw: sqlite3.Connection) -> None:
    for path in sorted(FACTS.glob("*.csv")):
        with path.open(encoding="utf-8", newline="") as file:
            ids = sorted(row["id"] for row in csv.DictReader(file))
        found = sorted(fact for (fact,) in raw.execute("SELECT id FROM fact WHERE table_name = ? AND row IS NOT NULL", [path.stem]))
        assert found == ids, path.stem
        if path.stem not in ("additive_effects", "factor_effects"):
            assert sorted(fact for (fact,) in raw.execute(f'SELECT id FROM "{path.stem}"')) == ids


# How much there is

LEAST = {
    "SELECT count(*) FROM analytes": 200,
    "SELECT count(*) FROM additives": 25,
    "SELECT count(*) FROM factors": 100,
    "SELECT count(*) FROM mechanisms": 40,
    "SELECT count(*) FROM effect WHERE status = 'asserted'": 1300,
    "SELECT count(*) FROM stability": 350,
    "SELECT count(*) FROM handling": 150,
}


@pytest.mark.parametrize(("query", "least"), LEAST.items(), ids=[query.removeprefix("SELECT count(*) FROM ") for query in LEAST])
def test_the_shipped_knowledge_is_as_large_as_promised(query: str, least: int, raw: sqlite3.Connection) -> None:
    assert raw.execute(query).fetchone()[0] >= least


def test_most_published_chemical_effects_of_additives_follow_from_the_rules(raw: sqlite3.Connection) -> None:
    above, related = kinship(raw)
    derived = set(raw.execute("SELECT cause, analyte, direction FROM effect WHERE status = 'derived'"))
    published = [row for row in raw.execute("SELECT cause, analyte, direction, mechanism FROM effect WHERE status = 'asserted' "
                                            "AND cause IN (SELECT id FROM additives)")
                 if row[3] in CHEMICAL and row[2] in ("increase", "decrease", "unmeasurable")]
    confirmed = [1 for cause, analyte, direction, _ in published
                 if any((c, a, way) in derived for way in {direction, "decrease" if direction == "unmeasurable" else direction}
                        for c in above[cause] for a in related[analyte])]
    info = dict(raw.execute("SELECT key, value FROM build_info"))
    assert len(published) == int(info["count_chemical_effects_published"])
    assert len(confirmed) == int(info["count_chemical_effects_derived"])
    assert len(confirmed) / len(published) >= 0.60


def test_every_contradiction_between_published_and_derived_is_explained(raw: sqlite3.Connection) -> None:
    open_ones = raw.execute("SELECT k.effect, e.cause, e.analyte, e.direction FROM contradiction k JOIN effect e ON e.id = k.effect "
                            "WHERE k.explanation IS NULL").fetchall()
    assert open_ones == []


def test_an_effect_is_listed_as_a_contradiction_just_when_it_is_marked_as_one(raw: sqlite3.Connection) -> None:
    marked = raw.execute("SELECT id FROM effect WHERE status = 'asserted' AND agreement = 'contradicted' ORDER BY id").fetchall()
    assert raw.execute("SELECT DISTINCT effect FROM contradiction ORDER BY effect").fetchall() == marked


# Broader and narrower

def test_the_closure_is_what_a_walk_over_the_tables_finds(raw: sqlite3.Connection) -> None:
    up: dict[str, set[str]] = {}
    for path in sorted(FACTS.glob("*.csv")):
        described = json.loads(path.with_name(f"{path.name}-metadata.json").read_text(encoding="utf-8"))
        holds_concepts = described["https://w3id.org/tubelore/vocab#concept"] and path.stem != "sources"
        with path.open(encoding="utf-8", newline="") as file:
            for row in csv.DictReader(file):
                if holds_concepts:
                    up.setdefault(row["id"], set()).update({row["broader"]} - {""} if "broader" in row else set())
                    for member in filter(None, row.get("members", "").split(";")):
                        up.setdefault(member, set()).add(row["id"])
    for agent, target in raw.execute("SELECT agent, target FROM interaction WHERE verb = 'belongs-to'"):
        up[agent].add(target)
    expected = set()
    for start in up:
        reached = {start: 0}
        queue = deque([start])
        while queue:
            node = queue.popleft()
            for above in up[node]:
                if above not in reached:
                    reached[above] = reached[node] + 1
                    queue.append(above)
        expected |= {(start, end, distance) for end, distance in reached.items()}
    assert set(raw.execute("SELECT narrower, broader, distance FROM closure")) == expected


def test_every_analyte_of_the_tables_belongs_to_any_test(raw: sqlite3.Connection) -> None:
    with (FACTS / "analytes.csv").open(encoding="utf-8", newline="") as file:
        analytes = {row["id"] for row in csv.DictReader(file)}
    members = {one for (one,) in raw.execute("SELECT narrower FROM closure WHERE broader = 'any-test' AND distance > 0")}
    assert analytes <= members


# Names and files

def test_every_loinc_code_of_the_mappings_is_a_name(raw: sqlite3.Connection) -> None:
    path = REPOSITORY / "ontology" / "mappings" / "loinc.sssom.tsv"
    lines = [line.split("\t") for line in path.read_text(encoding="utf-8").splitlines() if line and not line.startswith("#")]
    codes = {cells[lines[0].index("object_id")].partition(":")[2] for cells in lines[1:]}
    assert {name for (name,) in raw.execute("SELECT name FROM name WHERE sort = 'LOINC'")} == codes
    assert len(codes) > 200


def test_the_build_keeps_the_digest_and_size_of_every_table(raw: sqlite3.Connection) -> None:
    kept = {Path(file).name: (digest, rows) for file, digest, rows in raw.execute("SELECT file, sha256, rows FROM build_input")}
    for path in FACTS.glob("*.csv"):
        with path.open(encoding="utf-8", newline="") as file:
            rows = sum(1 for _ in csv.DictReader(file))
        assert kept[path.name] == (hashlib.sha256(path.read_bytes()).hexdigest(), rows)
