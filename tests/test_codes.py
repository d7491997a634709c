"""Codes of other vocabularies: their form, their check digits, their tables, and a few that everybody can look up.

LOINC users' guide for the check digit (from memory); HL7 terminology source for the v2 tables (hl7-utg, read);
ChEBI for ions (standards notes, read); SSSOM as its reference library validates it.
"""

from __future__ import annotations

import csv
import re
from pathlib import Path

import pytest
from sssom.parsers import parse_sssom_table
from sssom.validators import validate

from tests.on_paper import MAPPINGS, by_id, mappings, table, words

FILES = ("chebi", "hl7-v2", "loinc", "other")

# hl7-utg, read: code systems v2-0371, v2-0487 and v2-0490, version 3.0.0. Of 0487 those that describe specimens of a laboratory.
TABLE_0371 = words("""ACDA ACDB ACET AMIES BACTM BF10 BOR BOUIN BSKM C32 C38 CARS CARY CHLTM CTAD EDTK EDTK15 EDTK75 EDTN ENT ENT+
    F10 FDP FL10 FL100 HCL6 HEPA HEPL HEPN HNO3 JKM KARN KOX LIA MICHTM MMDTM NAF NAPS NONE PAGE PHENOL PVA RLM SILICA SPS STUTM
    THROM THYMOL THYO TOLU URETM VIRTM WEST""")
TABLE_0487 = words("""AMN ASERU BBL BLD BLDA BLDCO BLDV BPU BRTH CALC CSERU CSF DIA DIAF EOS EXG FBLOOD FLD FLU FSCLP GAST HAR
    HBLUD ISLT IVFLD JNTFLD KIDFLD LNA LNV LYM MAR MEC MILK NAIL PCFL PLAS PLB PLEVS PLR PMN PPP PRP QC3 RANDU RBC SAL SER SMN SNV
    SPT STL STONE SWT TEAR THRB TISS TSERU UR URC URINC URINM URINP URNS URT USPEC VITF WB WBC""")
TABLE_0490 = words("EX QS RA RB RC RD RE RH RI RM RN RP RR RS")


def _codes(name: str, prefix: str) -> set[str]:
    return {row["object_id"].removeprefix(f"{prefix}:") for row in mappings(name) if row["object_id"].startswith(f"{prefix}:")}


def check_digit(number: str) -> int:
    """Return the LOINC check digit: mod 10, every second digit from the right doubled and its digits added."""
    total = 0
    for place, digit in enumerate(reversed(number)):
        value = int(digit) * (2 if place % 2 == 0 else 1)
        total += value // 10 + value % 10
    return (10 - total % 10) % 10


@pytest.mark.parametrize("code", ["2823-3", "2951-2", "2345-7", "2160-0", "17861-6", "6768-6", "718-7", "6690-2", "4548-4"])
def test_the_check_digit_is_that_of_codes_printed_everywhere(code: str) -> None:
    # potassium, sodium, glucose, creatinine, calcium, ALP, haemoglobin, leukocytes, HbA1c; from memory
    number, digit = code.split("-")
    assert check_digit(number) == int(digit)


def test_the_check_digit_notices_a_wrong_digit_and_two_that_changed_places() -> None:
    assert check_digit("2824") != 3
    assert check_digit("2832") != 3


@pytest.mark.parametrize("code", sorted(_codes("loinc", "loinc")))
def test_a_loinc_code_has_the_right_form_and_check_digit(code: str) -> None:
    # LOINC users' guide, from memory
    assert re.fullmatch(r"[1-9][0-9]{0,6}-[0-9]", code)
    number, digit = code.split("-")
    assert check_digit(number) == int(digit)


def test_loinc_codes_of_the_demonstration_catalogue_have_valid_check_digits() -> None:
    with (MAPPINGS.parent / "demonstration" / "catalogue.csv").open(encoding="utf-8", newline="") as file:
        codes = {code for row in csv.DictReader(file) for code in row["loinc"].split(";") if code}
    assert codes
    assert {code for code in codes if check_digit(code.split("-")[0]) != int(code.split("-")[1])} == set()


@pytest.mark.parametrize(("analyte", "code"), [
    # LOINC names, from memory: substance or catalytic concentration in serum or plasma, count in blood
    ("potassium", "2823-3"), ("sodium", "2951-2"), ("chloride", "2075-0"), ("calcium-total", "17861-6"), ("glucose", "2345-7"),
    ("creatinine", "2160-0"), ("ld", "2532-0"), ("alp", "6768-6"), ("ast", "1920-8"), ("tsh", "3016-3"), ("ferritin", "2276-4"),
    ("haemoglobin", "718-7"), ("hba1c", "4548-4"),
])
def test_a_well_known_analyte_has_its_well_known_loinc_code(analyte: str, code: str) -> None:
    found = {row["object_id"] for row in mappings("loinc") if row["subject_id"] == f"tubelore:{analyte}"}
    assert f"loinc:{code}" in found


def test_a_blood_analyte_never_claims_to_be_the_same_as_a_loinc_code() -> None:
    # LOINC fixes property, specimen and method (users' guide, from memory).
    # Only an analyte that names its specimen may match exactly.
    exact = {row["subject_id"].removeprefix("tubelore:") for row in mappings("loinc") if row["predicate_id"] == "skos:exactMatch"}
    assert {analyte for analyte in exact if not analyte.startswith(("urine-", "sweat-", "csf-", "faecal-"))} == set()
    assert {row["predicate_id"] for row in mappings("loinc")} <= {
        "skos:exactMatch", "skos:narrowMatch", "skos:closeMatch", "skos:relatedMatch"}


@pytest.mark.parametrize(("number", "known", "kinds"), [
    ("0371", TABLE_0371, {"additives", "containers"}),
    ("0487", TABLE_0487, {"materials", "species"}),
    ("0490", TABLE_0490, {"factors", "handling_requirements"}),
])
def test_hl7_codes_occur_in_their_own_table_and_on_terms_of_that_kind(number: str, known: set[str], kinds: set[str]) -> None:
    # hl7-utg, read: 0371 additive, 0487 specimen type, 0490 reject reason
    used = _codes("hl7-v2", f"v2-{number}")
    assert used
    assert used - known == set()
    ids = set().union(*(by_id(kind) for kind in kinds))
    subjects = {row["subject_id"].removeprefix("tubelore:") for row in mappings("hl7-v2")
                if row["object_id"].startswith(f"v2-{number}:")}
    assert subjects - ids == set()


def test_hl7_codes_have_the_form_of_their_tables() -> None:
    # hl7-utg, read: capital letters, digits and a plus; a code never stands without its table
    form = re.compile(r"v2-0[0-9]{3}:[A-Z][A-Z0-9+]{0,7}")
    assert [row["object_id"] for row in mappings("hl7-v2") if not form.fullmatch(row["object_id"])] == []


@pytest.mark.parametrize(("subject", "code"), [
    # hl7-utg, read
    ("sodium-citrate-3.2", "v2-0371:C32"), ("sodium-citrate-3.8", "v2-0371:C38"), ("lithium-heparin", "v2-0371:HEPL"),
    ("sodium-heparin", "v2-0371:HEPN"), ("ammonium-heparin", "v2-0371:HEPA"), ("potassium-oxalate", "v2-0371:KOX"),
    ("sodium-polyanethole-sulfonate", "v2-0371:SPS"), ("acid-citrate-dextrose-a", "v2-0371:ACDA"), ("serum", "v2-0487:SER"),
    ("plasma", "v2-0487:PLAS"), ("csf", "v2-0487:CSF"), ("urine", "v2-0487:UR"), ("haemolysis", "v2-0490:RH"),
    ("short-sample", "v2-0490:QS"),
])
def test_a_term_has_its_hl7_code(subject: str, code: str) -> None:
    matches = {(row["subject_id"], row["object_id"], row["predicate_id"]) for row in mappings("hl7-v2")}
    assert (f"tubelore:{subject}", code, "skos:exactMatch") in matches


def test_neither_potassium_salt_of_edta_claims_the_code_that_means_both() -> None:
    # hl7-utg, read: EDTK stands for potassium EDTA of either salt, so import must not assume which
    exact = {row["subject_id"] for row in mappings("hl7-v2")
             if row["object_id"] == "v2-0371:EDTK" and row["predicate_id"] == "skos:exactMatch"}
    assert exact == {"tubelore:k-edta-unspecified"}


def test_chebi_ids_are_numbers_without_leading_noughts() -> None:
    assert [row["object_id"] for row in mappings("chebi") if not re.fullmatch(r"CHEBI:[1-9][0-9]*", row["object_id"])] == []


@pytest.mark.parametrize(("species", "ion", "atom"), [
    # ChEBI, read (ions) and from memory (atoms): stability constants and tubes are about ions
    ("calcium-ion", "29108", "22984"), ("zinc-ion", "29105", "27363"), ("magnesium-ion", "18420", "25107"),
    ("potassium-ion", "29103", "26216"), ("sodium-ion", "29101", "26708"), ("lithium-ion", "49713", "30145"),
    ("iron-2-ion", "29033", "18248"), ("iron-3-ion", "29034", "18248"), ("copper-2-ion", "29036", "28694"),
])
def test_an_ion_is_matched_with_the_ion_and_never_with_the_atom(species: str, ion: str, atom: str) -> None:
    codes = {row["object_id"] for row in mappings("chebi") if row["subject_id"] == f"tubelore:{species}"}
    assert codes == {f"CHEBI:{ion}"}
    assert atom not in _codes("chebi", "CHEBI")


@pytest.mark.parametrize(("species", "code"), [
    # ChEBI, read: the protonation state that a stability constant refers to
    ("edta-4minus", "42191"), ("citrate-3minus", "16947"), ("oxalate-2minus", "30623"), ("edta-free-acid", "4735"),
    ("edta-2minus", "64755"), ("fluoride-ion", "17051"), ("reverse-triiodothyronine-molecule", "28774"),
])
def test_a_ligand_is_matched_in_its_own_state_of_charge(species: str, code: str) -> None:
    found = {row["object_id"] for row in mappings("chebi") if row["subject_id"] == f"tubelore:{species}"}
    assert found == {f"CHEBI:{code}"}


def test_an_analyte_is_only_related_to_its_molecule() -> None:
    analytes = by_id("analytes")
    exact = {row["subject_id"] for row in mappings("chebi")
             if row["subject_id"].removeprefix("tubelore:") in analytes and row["predicate_id"] == "skos:exactMatch"}
    assert exact == set()


def test_two_different_molecules_never_share_one_exact_chebi_id() -> None:
    seen: dict[str, set[str]] = {}
    for row in mappings("chebi"):
        if row["predicate_id"] == "skos:exactMatch":
            seen.setdefault(row["object_id"], set()).add(row["subject_id"])
    assert {code: who for code, who in seen.items() if len(who) > 1} == {}


def test_cas_numbers_have_a_valid_check_digit() -> None:
    # CAS registry: each digit times its place from the right, sum mod 10 (from memory)
    numbers = [row["cas"] for row in table("species") if row["cas"]]
    assert len(numbers) > 50
    for number in numbers:
        digits = number.replace("-", "")
        assert sum(place * int(digit) for place, digit in enumerate(reversed(digits[:-1]), 1)) % 10 == int(digits[-1]), number


@pytest.mark.parametrize("name", FILES)
def test_a_mapping_file_is_valid_sssom_and_loses_no_row_to_the_reference_library(name: str) -> None:
    # the library leaves malformed rows out with no more than a warning, so rows are counted too
    parsed = parse_sssom_table(str(MAPPINGS / f"{name}.sssom.tsv"))
    assert len(parsed.df) == len(mappings(name))
    reports = validate(parsed, fail_on_error=False)
    assert len(reports) >= 3
    assert {kind: [result.message for result in report.results] for kind, report in reports.items() if report.results} == {}


def test_the_reference_library_refuses_a_row_whose_justification_is_not_a_term(tmp_path: Path) -> None:
    text = (MAPPINGS / "chebi.sssom.tsv").read_text(encoding="utf-8").replace("semapv:ManualMappingCuration", "made up", 1)
    broken = tmp_path / "broken.sssom.tsv"
    broken.write_text(text, encoding="utf-8")
    assert len(parse_sssom_table(str(broken)).df) == len(mappings("chebi")) - 1


@pytest.mark.parametrize("name", FILES)
def test_every_mapped_subject_is_a_term_of_the_fact_tables_under_its_own_label(name: str) -> None:
    kinds = words("""additives analytes analyte_groups containers factors materials methods species handling_requirements mechanisms
        processes fluids""")
    terms = {row["id"]: row["label"] for kind in kinds for row in table(kind)}
    wrong = [(row["subject_id"], row["subject_label"]) for row in mappings(name)
             if terms.get(row["subject_id"].removeprefix("tubelore:")) != row["subject_label"]]
    assert wrong == []


def test_the_notice_names_the_owners_of_the_vocabularies() -> None:
    # terms of LOINC, HL7, UCUM and ChEBI: a notice goes with the codes (LOINC notice read, the others from memory)
    text = (MAPPINGS / "NOTICE.md").read_text(encoding="utf-8")
    assert "This material contains content from LOINC (http://loinc.org)" in text
    assert "Regenstrief Institute" in text
    for owner in ("HL7", "UCUM", "ChEBI", "OBI", "UBERON", "Cell", "SNOMED CT"):
        assert owner in text


def test_no_snomed_code_is_shipped() -> None:
    # SNOMED CT needs a national licence
    codes = [row["object_id"].lower() for name in FILES for row in mappings(name)]
    assert [code for code in codes if code.startswith(("snomed", "sct", "sctid"))] == []
