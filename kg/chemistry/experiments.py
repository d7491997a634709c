"""What the model predicts for each published experiment on mixing, waiting and haemolysis.

Each function takes a row of a fact table and returns a prediction in the unit of that row, or raises ``NotModelled``
with the reason. Nothing here is fitted to the row it is compared with; where a figure of the model comes from the same
source, the comparison says so.
"""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Callable

from kg.chemistry import gases, haemolysis, kinetics, mixing, response
from kg.chemistry.experiment import NotModelled, Prediction, World

Row = sqlite3.Row

SPECIES = {"sodium": "sodium-ion", "potassium": "potassium-ion", "chloride": "chloride-ion", "calcium-total": "calcium-ion",
           "glucose": "d-glucose", "lactate": "s-lactate", "bicarbonate": "hydrogencarbonate-ion", "lithium": "lithium-ion",
           "ammonia": "ammonium-ion", "magnesium-total": "magnesium-ion", "triglyceride": "triglyceride-molecule"}
"""The species whose amount is the analyte, where fluids and additives bring it."""
_LIGANDS = ("citrate-3minus", "oxalate-2minus")
"""Fluoride is left out: calcium fluoride forms too slowly in plasma to take calcium away (bi-0077)."""
EDTA_SALTS = ("k2-edta", "k3-edta", "na2-edta", "k-edta-unspecified")
CLASSES = {"room": None, "refrigerated": 4.0, "ice": 0.0, "body": 37.0, "hot": 32.0}
"""Cel for words of temperature; None is the reference of the model."""
_FREQUENCY = "a frequency, not a size"
_STATED_START = re.compile(r"start(?:ing from)? (-?[0-9.]+)")
_RATE_UNIT = re.compile(r"^(?P<unit>.+?)/(?:\((?P<count>[0-9]+)\.(?P<of>min|h|d)\)|(?P<one>min|h|d))$")
_HOURS = {"min": 1 / 60, "h": 1.0, "d": 24.0}


def predict_mixing(row: Row, world: World) -> Prediction:
    """Predict a row of ``mixing_experiments.csv``."""
    analyte, contaminant = row["analyte"], row["contaminant"]
    if row["condition"] == _FREQUENCY:
        raise NotModelled("a frequency among specimens, not a size")
    if (row["amount_meaning"] or "").startswith(("draw above a line stopped", "correct closed technique", "dead-space")):
        raise NotModelled("how much fluid stayed or got in is not known")
    if row["direction"] == "variable":
        raise NotModelled("neither size nor sign is published")
    if contaminant in EDTA_SALTS:
        return _edta(row, world)
    if contaminant == "lipid-emulsion":
        return _lipid_emulsion(row, world)
    fluids = {found["id"] for found in world.connection.execute("SELECT id FROM fluids")}
    if contaminant in fluids and analyte in SPECIES and analyte in world.levels:
        return _fluid(row, world)
    if analyte in ("aptt", "pt", "thrombin-time", "heparin-anti-xa"):
        raise NotModelled("clotting is not computed")
    if contaminant in ("sodium-citrate-unspecified", "sodium-fluoride-potassium-oxalate", "ammonium-heparin", "lithium-heparin", "sodium-heparin"):
        return _additive(row, world)
    raise NotModelled("this contaminant or analyte has no place in the arithmetic")


def _start(row: Row, world: World) -> float:
    stated = _STATED_START.search(f"{row['condition'] or ''} {row['note'] or ''}")
    return float(stated.group(1)) if stated else world.levels[row["analyte"]]


def _as_published(row: Row, change: float, start: float) -> float:
    """Return a change in the unit of the row, or relative where the row has no figure."""
    return change if row["low"] is not None and row["unit"] != "%" else change / start * (100 if row["low"] is not None else 1)


def _fluid(row: Row, world: World) -> Prediction:
    start = _start(row, world)
    species = SPECIES[row["analyte"]]
    amount, assumed = (row["amount"], "") if row["amount"] else (0.1, "a tenth of the specimen taken as fluid")
    hct = world.parameters.value("blood", "haematocrit")
    fluid = mixing.fluid_of(world.connection, row["contaminant"])
    if "share of fluid in plasma" in (row["amount_meaning"] or ""):
        mixed = mixing.mix({species: start}, fluid, amount)
    else:
        mixed = mixing.infuse({species: start}, fluid, amount, hct)
    return Prediction(_as_published(row, float(mixed[species]) - start, start), assumed)


def _lipid_emulsion(row: Row, world: World) -> Prediction:
    analyte, p = row["analyte"], world.parameters
    if row["amount"] is None:
        raise NotModelled("gases and acid are not part of the mixing arithmetic")
    share = float(mixing.fluid_share(row["amount"] / 100, p.value("blood", "haematocrit")))
    if analyte == "triglyceride":
        fat = mixing.fluid_of(world.connection, "lipid-emulsion-20")["triglyceride-molecule"] / p.value("fluid", "triglyceride-molar-mass") * 1000
        read = fat + p.value("fluid", "glycerol")
        return Prediction((1 - share) * 1.0 + share * read, "emulsion of 20 %, no glycerol blank, start 1.0 mmol/L")
    if analyte in ("sodium", "potassium", "chloride", "glucose", "calcium-ionised"):
        return Prediction(-share, "the emulsion holds none of it")
    if analyte in ("haemoglobin", "methaemoglobin"):
        return Prediction(-row["amount"] / 100, "thinned with the blood")
    raise NotModelled("gases, acid and the optics of fat are not part of the mixing arithmetic")


def _edta(row: Row, world: World) -> Prediction:
    analyte, p = row["analyte"], world.parameters
    assumed = "" if row["amount"] else "5 % taken"
    amount = (row["amount"] or 5.0) / 100
    hct = p.value("blood", "haematocrit")
    dose = mixing.dose_of(p, row["contaminant"])
    share = amount if "plasma" in (row["amount_meaning"] or "") else float(mixing.blood_share(amount, hct, hct))
    gained = {species: float(value) * share for species, value in mixing.in_tube({}, dose, hct).items()}
    edta = gained["edta-4minus"]
    if analyte in ("potassium", "sodium") and SPECIES[analyte] in gained:
        start = _published_start(row, world)
        return Prediction(_as_published(row, gained[SPECIES[analyte]], start), assumed)
    if analyte == "edta-concentration":
        return Prediction(edta, assumed)
    left = _left_under_edta(analyte, edta, world)
    if left is not None:
        method = _METHODS.get(analyte, "")
        return Prediction((left - 1) * (100 if row["low"] is not None else 1), "; ".join(part for part in (assumed, method) if part))
    if analyte in ("sodium", "chloride", "alt", "bilirubin-total", "creatinine", "lipase"):
        osmoles = sum(dose.concentrations.values()) * amount
        thinned = float(mixing.drawn_from_cells(osmoles, hct, p.value("blood", "osmolality"), p.value("blood", "osmotic-cell-water")))
        return Prediction(-thinned * (100 if row["low"] is not None else 1), "only water drawn from red cells")
    raise NotModelled("no mechanism is known by which this salt would move it")


_METHODS = {"calcium-total": "half-way between arsenazo III, which loses what EDTA holds, and a method that wins back a little",
            "magnesium-total": "read with xylidyl blue; by an enzymatic method nothing would be lost",
            "iron": "read with the pyridyl-triazine dye; by the furyl-triazine dye nothing would be lost",
            "zinc": "read with a dye that leaves EDTA its zinc; by atomic absorption nothing would be lost",
            "alp": "after the enzyme has come to rest with the zinc that is left"}


def _published_start(row: Row, world: World) -> float:
    """Return the potassium of the experiment where size and share are both published (0.54 mmol/L is 11.9 %), else the usual."""
    same = world.connection.execute(
        "SELECT low, unit FROM mixing_experiments WHERE source = ? AND analyte = ? AND amount = ? AND low IS NOT NULL",
        (row["source"], row["analyte"], row["amount"]))
    by_unit = {found["unit"]: found["low"] for found in same}
    if {"%", "mmol/L"} <= by_unit.keys():
        return float(by_unit["mmol/L"] / by_unit["%"] * 100)
    return world.levels[row["analyte"]]


def _left_under_edta(analyte: str, edta: float, world: World) -> float | None:
    """Return the share of a result that is left when EDTA in mmol/L is in usual plasma; None where it has no say."""
    p = world.parameters
    if analyte == "calcium-total":
        calcium = world.levels[analyte]
        constant = world.edta_log10_k(p.value("arsenazo-calcium", "reagent-ph"))
        losing = float(response.dye_calcium(p, "arsenazo-calcium", calcium, {"edta": (edta, constant)})) / calcium
        return (losing + float(response.calcium_recovered(p, calcium, edta))) / 2
    if analyte == "magnesium-total":
        return float(response.chelator_loss(p, "xylidyl-blue-magnesium", edta))
    if analyte == "iron":
        return float(response.chelator_loss(p, "pdts-iron", edta))
    if analyte == "zinc":
        zinc = world.levels[analyte] / 1000
        held = min(world.free_metals(edta)["zinc-held"], zinc)
        return float(response.metal_read(p, "free-zinc-colorimetry", zinc, held)) / zinc
    if analyte == "alp":
        now, before = world.free_metals(edta), world.free_metals(0.0)
        return float(response.alp_activity(p, now["zinc-ion"], now["magnesium-ion"], before["zinc-ion"], before["magnesium-ion"]))
    return None


def _additive(row: Row, world: World) -> Prediction:
    """Predict the sign of a carry-over of which no amount fits: a twentieth of the blood is taken."""
    analyte, p = row["analyte"], world.parameters
    hct, assumed = p.value("blood", "haematocrit"), "5 % of the blood taken"
    dose = mixing.dose_of(p, row["contaminant"])
    start = world.levels.get(analyte, 1.0) / (1000 if analyte == "ammonia" else 1)
    species = SPECIES.get(analyte, "")
    mixed = mixing.carry_over({species: start} if species else {}, dose, 0.05, hct)
    if row["low"] is not None:
        full = mixing.in_tube({species: 0.0}, dose, hct)
        return Prediction(float(full[species]), "a tube filled as it should be")
    if analyte in ("calcium-total", "calcium-ionised"):
        return Prediction(_calcium_left(analyte, dose, world) - 1, assumed)
    if analyte == "urea":
        return Prediction(float(response.urea_read(p, "urease-gldh", 1.0, mixed["fluoride-ion"])) - 1, assumed)
    if analyte == "ld":
        return Prediction(float(response.ld_read(p, 1.0, mixed["oxalate-2minus"])) - 1, assumed)
    if analyte in ("sodium", "potassium", "chloride", "ammonia"):
        return Prediction((float(mixed[species]) - start) / start, assumed)
    raise NotModelled("no response of this method is computed")


def _calcium_left(analyte: str, dose: mixing.Dose, world: World) -> float:
    """Return the share of calcium left after 5 % of blood with citrate or oxalate: free, or still in solution for a dye."""
    start, hct = world.levels["calcium-total"], world.parameters.value("blood", "haematocrit")
    mixed = mixing.carry_over({"calcium-ion": start}, dose, 0.05, hct)
    ligands = {name: float(amount) for name, amount in mixed.items() if name in _LIGANDS}
    free, dissolved = world.calcium_with(ligands, float(mixed["calcium-ion"]))
    return free / world.calcium_with({}, start)[0] if analyte == "calcium-ionised" else dissolved / start


def predict_rate(row: Row, world: World) -> Prediction:
    """Predict a row of ``kinetics.csv``: the change over its own period, from the time of collection."""
    laws: dict[str, Callable[[Row, World, float, float], float]] = {
        "glucose": _glucose, "lactate": _lactate, "potassium": _potassium, "phosphate": _phosphate, "ammonia": _ammonia, "ld": _ld,
        "calcium-ionised": _ionised, "bicarbonate": _bicarbonate, "po2": _oxygen}
    analyte = row["analyte"]
    if analyte not in laws:
        raise NotModelled(f"no rate law for {row['process_label'].lower()} of this analyte")
    if row["rate"] is None:
        raise NotModelled("no rate is published")
    if row["model"] == "time-to-threshold":
        raise NotModelled("a time by which a share of specimens changed; the model gives the mean")
    unit = _RATE_UNIT.match(row["rate_unit"])
    if not unit:
        raise NotModelled("how long it took is not published")
    if re.search(r"newborn", row["condition"] or "") and "adults and newborns" not in row["condition"]:
        raise NotModelled("newborn cells burn faster; no figure of the model covers them")
    hours = float(unit["count"] or 1) * _HOURS[unit["of"] or unit["one"]]
    temperature = _temperature(row, world)
    change = laws[analyte](row, world, hours, temperature)
    if unit["unit"] == "%":
        return Prediction(change / world.levels[analyte] * 100)
    if unit["unit"] == row["conventional_unit"] and analyte != "po2":
        return Prediction(change / row["factor_to_si"])
    return Prediction(change * {"mmol/L": 1.0, "umol/L": 1000.0 if analyte == "calcium-ionised" else 1.0, "mm[Hg]": 1.0}[unit["unit"]])


def _temperature(row: Row, world: World) -> float:
    ends = [row[name] for name in ("temperature_low", "temperature_high") if row[name] is not None]
    if ends:
        return float(sum(ends) / len(ends))
    if row["temperature"] not in CLASSES:
        raise NotModelled("the temperature is not one at which blood waits on its cells")
    given = CLASSES[row["temperature"]]
    return world.parameters.value("glycolysis", "reference-temperature") if given is None else given


def _inhibitor(row: Row, world: World) -> str | None:
    additives = row["additives"] or ""
    if "iodoacetate" in additives:
        raise NotModelled("iodoacetate has no figure")
    if re.search(r"leukaemia|growth factor", row["condition"] or ""):
        raise NotModelled("the white cell count is not published")
    if "fluoride-citrate-edta" in additives:
        return "acidified-citrate"
    if "fluoride" in additives:
        if row["model"] == "linear":
            raise NotModelled("with fluoride the rate changes with time, and the time is not published")
        return "fluoride"
    return None


def _on_cells(row: Row) -> None:
    if not re.search(r"blood", row["material"] or ""):
        raise NotModelled("the specimen is not blood on its cells")


def _glucose(row: Row, world: World, hours: float, temperature: float) -> float:
    _on_cells(row)
    inhibitor = _inhibitor(row, world)
    return -float(kinetics.glucose_used(world.parameters, world.levels["glucose"], hours, temperature, inhibitor=inhibitor))


def _lactate(row: Row, world: World, hours: float, temperature: float) -> float:
    _on_cells(row)
    used = kinetics.glucose_used(world.parameters, world.levels["glucose"], hours, temperature)
    return float(kinetics.lactate_made(world.parameters, used))


def _potassium(row: Row, world: World, hours: float, temperature: float) -> float:
    _on_cells(row)
    return float(kinetics.potassium_change(world.parameters, hours, temperature, world.levels["glucose"]))


def _phosphate(row: Row, world: World, hours: float, temperature: float) -> float:
    _on_cells(row)
    return float(kinetics.phosphate_change(world.parameters, hours, temperature, world.levels["glucose"]))


def _ammonia(row: Row, world: World, hours: float, temperature: float) -> float:
    _on_cells(row)
    return float(kinetics.ammonia_change(world.parameters, hours, temperature))


def _ld(row: Row, world: World, hours: float, temperature: float) -> float:
    _on_cells(row)
    return float(kinetics.ld_change(world.parameters, hours)) * world.levels["ld"]


def _ionised(row: Row, world: World, hours: float, temperature: float) -> float:
    _on_cells(row)
    start = world.levels["calcium-ionised"]
    lactate = kinetics.lactate_made(world.parameters, kinetics.glucose_used(world.parameters, world.levels["glucose"], hours, temperature))
    acid = kinetics.ph_change(world.parameters, lactate)
    return float(kinetics.ionised_calcium(world.parameters, start, ph_change_=acid, lactate_made_=lactate)) - start


def _bicarbonate(row: Row, world: World, hours: float, temperature: float) -> float:
    if "stoppered" not in (row["condition"] or ""):
        raise NotModelled("whether the tube was open, and how wide, is not published")
    return -float(gases.lost_to_head_space(world.parameters, world.levels["bicarbonate"], 7.4, 2.0, temperature))


def _oxygen(row: Row, world: World, hours: float, temperature: float) -> float:
    start = 95.0
    plastic = "plastic" in (row["condition"] or "")
    counts = [float(count) for count in re.findall(r"to ([0-9]+) 10\*9/L", row["condition"] or "")]
    white = counts[0] if counts else None
    return float(gases.po2_after(world.parameters, start, hours, temperature, leukocytes=white, plastic=plastic)) - start


_AUDIT = "haemoglobin from the potassium of the audit"
_OPTICAL = ("alp", "amylase", "cholesterol", "triglyceride", "urate", "bilirubin-total", "bilirubin-direct", "ck", "ggt", "iron",
            "haptoglobin", "creatinine")


def predict_haemolysis(row: Row, world: World) -> Prediction:
    """Predict a row of ``haemolysis_quantities.csv``."""
    analyte, quantity, p = row["analyte"], row["quantity"], world.parameters
    if quantity == "erythrocyte-to-plasma-ratio":
        raise NotModelled("it is what the model starts from")
    if quantity in ("prevalence", "prediction-error", "rank", "direction", "mean-difference") or row["low"] is None:
        raise NotModelled("not the size of a release")
    if analyte in _OPTICAL:
        raise NotModelled("haemoglobin or another enzyme disturbs the reading itself; that needs the optics of the method")
    if analyte == "total-protein" and quantity == "max-change":
        start = _start(row, world)
        protein = float(haemolysis.total_protein(p, start, _audit_haemoglobin(row, world)))
        return Prediction((protein / start - 1) * 100, _AUDIT)
    if analyte not in world.ratios:
        raise NotModelled("how much of it red cells hold is not known as a figure")
    ratio = world.ratios[analyte]
    if quantity == "slope":
        if "ordinal" in row["per"]:
            raise NotModelled("a step of an ordinal index is no amount of haemoglobin")
        return Prediction(float(haemolysis.relative_change(p, 1.0, ratio)) * world.levels[analyte])
    if quantity == "max-change":
        return Prediction(float(haemolysis.relative_change(p, _audit_haemoglobin(row, world), ratio)) * 100, _AUDIT)
    if quantity == "no-effect-up-to" and row["unit"] == "g/L":
        return Prediction(float(haemolysis.relative_change(p, row["low"], ratio)), f"at {row['low']:g} g/L")
    if quantity == "threshold":
        return _threshold(row, world, ratio)
    raise NotModelled("the grade of haemolysis is not published")


def _audit_haemoglobin(row: Row, world: World) -> float:
    """Return the free haemoglobin of the audit's gross grade, which it does not print, from its potassium."""
    if row["source"] != "uk-regional-audit-1999" or row["analyte"] == "potassium":
        raise NotModelled("its haemoglobin is not published; the potassium of the same audit is used to infer it")
    change = world.connection.execute("SELECT low FROM haemolysis_quantities WHERE source = ? AND analyte = 'potassium' "
                                      "AND quantity = 'max-change'", (row["source"],)).fetchone()["low"]
    return float(haemolysis.haemoglobin_for_change(world.parameters, change / 100, world.ratios["potassium"]))


def _threshold(row: Row, world: World, ratio: float) -> Prediction:
    words = f"{row['per'] or ''}"
    bias = re.search(r"giving ([0-9.]+) mmol/L bias", words)
    share = re.search(r"at ([0-9.]+) % bias", words)
    if bias:
        return Prediction(float(haemolysis.haemoglobin_for_change(world.parameters, float(bias[1]) / world.levels[row["analyte"]], ratio)))
    if share:
        return Prediction(100 * float(haemolysis.haemoglobin_for_change(world.parameters, float(share[1]) / 100, ratio)), "index taken as mg/dL")
    raise NotModelled("what change was called wrong is not published")
