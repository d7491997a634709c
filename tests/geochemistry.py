"""PHREEQC as an outside reference: the MINTEQ v4 database with the Davies equation for every ion.

The database gives most complexes a Debye-Hueckel size of 0, which is the limiting law and out of its range at the ionic
strength of blood; those lines are taken out, whereupon PHREEQC uses the Davies equation, as MINTEQ itself does. MINTEQ v4
knows no oxalate: its reactions are read from the ThermoChimie database that ships with PHREEQC. The background is balanced
by an ion that binds nothing.
"""

from __future__ import annotations

import functools
import importlib.resources
import re
from collections.abc import Mapping, Sequence

import phreeqc

ELEMENTS = {
    "calcium-ion": "Ca", "magnesium-ion": "Mg", "zinc-ion": "Zn", "copper-2-ion": "Cu(2)", "iron-2-ion": "Fe(2)", "iron-3-ion": "Fe(3)",
    "sodium-ion": "Na", "potassium-ion": "K", "edta-4minus": "Edta", "citrate-3minus": "Citrate", "oxalate-2minus": "Ox", "fluoride-ion": "F",
}
IONS = {
    "Ca+2": "calcium-ion", "Mg+2": "magnesium-ion", "Zn+2": "zinc-ion", "Cu+2": "copper-2-ion", "Fe+2": "iron-2-ion", "Fe+3": "iron-3-ion",
    "Na+": "sodium-ion", "K+": "potassium-ion", "Edta-4": "edta-4minus", "Citrate-3": "citrate-3minus", "Ox-2": "oxalate-2minus", "F-": "fluoride-ion",
    "H+": "hydron",
}
ION_OF = {name: ion for ion, name in IONS.items()}
_INERT = """
SOLUTION_MASTER_SPECIES
Ox Ox-2 0 Ox 88.0196
Inert Inert- 0 Inert 35.0
SOLUTION_SPECIES
Ox-2 = Ox-2
    log_k 0
Inert- = Inert-
    log_k 0
"""


@functools.cache
def shipped(name: str) -> str:
    """Return the text of a database that ships with PHREEQC."""
    return (importlib.resources.files("phreeqc") / "databases" / name).read_text(encoding="utf-8")


Reaction = tuple[frozenset[tuple[str, int]], float, float | None]
"""Components with their numbers, log10 K, and enthalpy in kJ/mol."""


def reactions(name: str) -> list[tuple[str, Reaction]]:
    """Read from a database every formation of one dissolved species from the ions that this project knows."""
    found = []
    for equation, block in re.findall(r"^([^#\s].*? = .*)\n((?:[ \t#].*\n)*)", shipped(name).replace("\r", ""), re.MULTILINE):
        left, right = equation.split(" = ", 1)
        consumed, formed = _side(left), _side(right)
        if not set(consumed) <= {*IONS, "H2O"} or consumed.keys() == {"H2O"}:
            continue
        given_off = formed.pop("H+", 0)
        formed.pop("H2O", None)
        if len(formed) != 1 or set(formed) <= set(IONS) or list(formed.values()) != [1]:
            continue
        consumed["H+"] = consumed.get("H+", 0) - given_off
        components = frozenset((IONS[ion], count) for ion, count in consumed.items() if ion in IONS and count)
        enthalpy = re.search(r"^\s*delta_h\s+(\S+)", block, re.MULTILINE)
        log10_k = re.search(r"^\s*log_k\s+(\S+)", block, re.MULTILINE)
        assert log10_k, equation
        found.append((f"{equation}\n{block}", (components, float(log10_k[1]), float(enthalpy[1]) if enthalpy else None)))
    return found


def _side(text: str) -> dict[str, int]:
    terms: dict[str, int] = {}
    for sign, count, species in re.findall(r"(?:^|(?<= ))([+-] )?(\d+(?= ))?\s*([A-Z(]\S*|e-)", text.split("#")[0]):
        terms[species] = terms.get(species, 0) + (-1 if sign == "- " else 1) * int(count or 1)
    return terms


@functools.cache
def database(extra: str) -> phreeqc.Phreeqc:
    """Return PHREEQC with MINTEQ v4, the oxalates of ThermoChimie, and extra reactions."""
    text = re.sub(r"^\s*-gamma.*\n", "", shipped("minteq.v4.dat").replace("\r", ""), flags=re.MULTILINE)
    oxalates = "".join(block for block, (components, *_) in reactions("sit.dat") if "oxalate-2minus" in dict(components))
    engine = phreeqc.Phreeqc()
    assert engine.LoadDatabaseString(text) == 0, engine.GetErrorString()
    assert engine.RunString(f"{_INERT}{oxalates}{extra}\nEND\n") == 0, engine.GetErrorString()
    return engine


def speciate(compositions: Sequence[Mapping[str, float]], conditions: Sequence[tuple[float, float]], extra: str = "",
             phases: str = "", read: Sequence[str] = ()) -> list[dict[str, float]]:
    """Let PHREEQC solve compositions.

    Args:
        compositions: totals in mol/kg of water by species.
        conditions: pH and temperature of each.
        extra: reactions to add to the database.
        phases: an EQUILIBRIUM_PHASES body; each solution is brought to equilibrium with it.
        read: names of phases, of which the amount formed is returned.

    Returns:
        for each composition the free concentrations by species, ``pH`` and ``ionic strength``, and the phases by their names.
    """
    wanted = " ".join(ION_OF[name] for name in ELEMENTS)
    lines = [f"SELECTED_OUTPUT 1\n-reset false\n-high_precision true\n-state true\n-pH true\n-ionic_strength true\n-molalities {wanted}\n"
             + (f"-equilibrium_phases {' '.join(read)}\n" if read else "")]
    for number, (totals, (ph, temperature)) in enumerate(zip(compositions, conditions, strict=True), 1):
        amounts = "".join(f"{ELEMENTS[name]} {amount!r}\n" for name, amount in totals.items() if amount)
        lines.append(f"SOLUTION {number}\nunits mol/kgw\npH {ph!r}\npe 12\ntemp {temperature!r}\n{amounts}Inert 0.1 charge\n")
        if phases:
            lines.append(f"EQUILIBRIUM_PHASES {number}\n{phases}\n")
        lines.append("END\n")
    engine = database(extra)
    assert engine.RunString("".join(lines)) == 0, engine.GetErrorString()
    table = engine.GetSelectedOutput()
    rows = [row for row, state in enumerate(table["state"]) if (state == "react") == bool(phases)]
    assert len(rows) == len(compositions)
    found = []
    for row in rows:
        free = {name: float(table[f"m_{ION_OF[name]}(mol/kgw)"][row]) for name in ELEMENTS}
        solids = {name: float(table[name][row]) for name in read}
        found.append({**free, **solids, "pH": float(table["pH"][row]), "ionic strength": float(table["mu"][row])})
    return found
