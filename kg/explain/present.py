"""How the explanation of a panel reads, as an answer and as data."""

from __future__ import annotations

import sqlite3
from typing import Any, NamedTuple

from kg.answer import CAUTIONS, Answer, Item, Link, Section, cite, versions
from kg.database import rows
from kg.explain import grounds
from kg.explain.findings import Expected, Finding, Severity, range_of
from kg.explain.model import Cause, Model
from kg.explain.next_checks import Check
from kg.explain.panel import Panel
from kg.explain.priors import Candidates, Weighed
from kg.questions.common import join, note
from kg.wording import inside, magnitude, spoken

EXPLAINED, NOTHING, CANNOT_TELL = "explained", "nothing-unusual", "cannot-tell"
_CAUTIONS = (*CAUTIONS, "What is expected under a cause is no corrected result; nothing here may be reported in place of a measurement.",
             "The probabilities hold among the causes listed here, for adults; they rest on judged frequencies, cited with each cause.")
_NEEDS = {"specimen": "from what is left of the specimen", "tube": "at the tube", "ward": "ask those who drew it", "fresh-specimen": "needs a fresh specimen",
          "blood-film": "on a blood film", "other-method": "by another method"}
_ACTIONS_OF = 2
"""Leading causes whose actions are told."""
_ACTIONS_EACH = 2
"""Things to do, and to ask, for each."""
_NO_RESULT = "What is expected is no result."
_LEAST = 0.02
"""Below this an action or check is not looked up for a cause."""


class Aside(NamedTuple):
    """An earlier specimen that was left out, since it is likely to be the odd one."""

    hours_before: float
    cause: Cause
    """What is likeliest behind it."""
    cause_probability: float
    spoilt: float
    """Probability that any artefact was in it."""
    probability: float
    """That it is the odd one: spoilt, or of a state that has passed."""


class Told(NamedTuple):
    """Everything that is to be told of a panel."""

    panel: Panel
    left: tuple[str, ...]
    model: Model | None = None
    before: Candidates | None = None
    findings: tuple[Finding, ...] = ()
    checks: tuple[Check, ...] = ()
    used: dict[str, str] = {}
    families: dict[str, tuple[str, float]] = {}
    information: float = 0.0
    """Bits by which the results moved the probabilities."""
    artefact: float = 0.0
    """Probability that an artefact is among the causes."""
    known: grounds.Grounds = {}
    """The facts behind what the causes do."""
    earlier: tuple[str, ...] = ()
    """The analytes of which an earlier result was used."""
    aside: Aside | None = None


def present(connection: sqlite3.Connection, told: Told) -> Answer:
    """Return the answer."""
    understood = "; ".join(told.panel.said)
    if told.model is None or told.before is None or not told.findings:
        return Answer("explain", understood, CANNOT_TELL, "Cannot tell: none of these results takes part.", unknowns=told.left, cautions=_CAUTIONS,
                      versions=versions(connection), data={"causes": [], "next_checks": [], "actions": [], "phone": "", "bits": 0.0, "left_out": None})
    verdict, headline = _verdict(told, told.model)
    headline = f"{_left_out(told.aside, told.model)} {headline}" if told.aside else headline
    used = dict(told.used)
    actions = _actions(connection, told, told.model, used)
    for check in told.checks:
        note(used, check.source or None, check.basis)
    first = told.findings[0]
    phone = _phone(told, told.model, actions) if verdict == EXPLAINED else ""
    sections = [_causes(told, told.model, told.before, used), *_reportable(verdict, told, told.model), _checks(told),
                Section("Do now", tuple(Item(row["statement"], {"id": row["id"], "factor": row["factor"]}, (row["source"],)) for row in actions)),
                Section("Words for the telephone", (Item(phone),) if phone else ()),
                _predicted(told, told.model, first, used), _accounted(told, told.model, told.before, used)]
    data = {"causes": [_cause_data(told, told.model, told.before, found, used) for found in told.findings],
            "next_checks": [_check_data(told.model, check) for check in told.checks],
            "actions": [row["statement"] for row in actions], "phone": phone, "bits": round(told.information, 3), "left_out": _aside_data(told.aside) if told.aside else None}
    return Answer("explain", understood, verdict, headline, tuple(section for section in sections if section.items), first.because, (),
                  (*told.left, *_doubts(told, told.model)), cite(connection, used), _CAUTIONS, versions(connection), data)


def _left_out(aside: Aside, model: Model) -> str:
    """Say which earlier specimen is likely to be the odd one."""
    passed = " that has passed since" if aside.cause.kind == "in-vivo" else ""
    again = ", and what was reported then should be looked at again" if aside.spoilt >= model.settings["hold-above"] else ""
    artefact = f" (an artefact in it: {_percent(aside.spoilt)})" if passed and again else ""
    return (f"The results of {aside.hours_before:g} h before are likely the odd ones ({_percent(aside.probability)}), most likely by {inside(aside.cause.label)}{passed}"
            f" ({_percent(aside.cause_probability)}){artefact}: they are left out here{again}.")


def _weighed_aside(aside: Aside) -> Weighed:
    return Weighed(f"That the specimen of {aside.hours_before:g} h before was the odd one, and not this one, is held so likely beforehand.",
                   ("share-earlier-spoilt", "share-earlier-ill"))


def _aside_data(aside: Aside) -> dict[str, Any]:
    return {"hours_before": aside.hours_before, "probability": round(aside.probability, 6), "spoilt": round(aside.spoilt, 6), "cause": aside.cause.id,
            "cause_probability": round(aside.cause_probability, 6)}


def _verdict(told: Told, model: Model) -> tuple[str, str]:
    first = told.findings[0]
    name, share = _named(told, model)
    if not first.severities and _stands_out(told, model):
        return NOTHING, f"Nothing unusual: these results need no cause ({_percent(share)}). What is too slight to show is not ruled out."
    if share < model.settings["least-probability"]:
        leaders = [f"{inside(_name(model, found))} {_percent(found.probability)}" for found in told.findings[:3]]
        return CANNOT_TELL, f"Cannot tell from these results. The likeliest are {join(leaders)}."
    how = "; ".join(severity.meaning for severity in first.severities)
    if share == first.probability:
        rival = f" An artefact is not ruled out ({_percent(told.artefact)})." if _kind(model, first) == "in-vivo" and _artefact_open(told, model) else ""
        return EXPLAINED, f"Most likely: {inside(name)} ({_percent(share)}): {how}.{rival}"
    kinds = [f"{inside(_name(model, found))} {_percent(found.probability)}" for found in told.findings[:3] if found.severities]
    return EXPLAINED, f"Most likely: {inside(name)} ({_percent(share)}): {how}. The likeliest kinds are {join(kinds)}."


def _stands_out(told: Told, model: Model) -> bool:
    """Whether the absence of causes is likelier than not, or fits well and is by far the likeliest."""
    first = told.findings[0]
    if first.probability >= model.settings["least-probability"]:
        return True
    rival = told.findings[1].probability if len(told.findings) > 1 else 0.0
    return first.explanation.distance <= model.settings["good-fit"] * len(model.analytes) and rival <= first.probability / 2


def _named(told: Told, model: Model) -> tuple[str, float]:
    """Return the first cause with its probability or, where it is not likely enough, its narrowest family that is."""
    first, least = told.findings[0], model.settings["least-probability"]
    if first.probability < least:
        likely = sorted((share, label) for label, share in told.families.values() if share >= least)
        if likely:
            return likely[0][1], likely[0][0]
    return _name(model, first), first.probability


def _doubts(told: Told, model: Model) -> list[str]:
    found = []
    best = min(finding.explanation.distance for finding in told.findings)
    if best > model.settings["poor-fit"] * len(model.analytes):
        found.append("No cause that is known here fits these results well; something else may be behind them.")
    if told.information < model.settings["least-information"]:
        found.append("These results hardly change what was likely beforehand.")
    if told.panel.age_group and told.panel.age_group != "adult":
        found.append(f"The population is of adults; for {told.panel.age_group} it may be wrong.")
    return found


def _name(model: Model, found: Finding) -> str:
    return " with ".join(model.causes[i].label if k == 0 else inside(model.causes[i].label) for k, i in enumerate(found.explanation.causes))


def _percent(share: float) -> str:
    if share < 0.01:
        return "below 1 %"
    return f"{100 * share:.0f} %" if share <= 0.99 else "above 99 %"


def _causes(told: Told, model: Model, before: Candidates, used: dict[str, str]) -> Section:
    items = []
    for found in _worth_telling(told, model):
        kind = {"artefact": ", artefact", "in-vivo": ", in vivo", "none": ""}[_kind(model, found)]
        how = "; ".join(f"{severity.meaning} (90 %: {range_of(severity)})" for severity in found.severities)
        text = f"{_percent(found.probability)}{kind}: {_name(model, found)}" + (f": {how}" if how else "")
        sources = grounds.note_all(used, (model.causes[i].row for i in found.explanation.causes))
        items.append(Item(f"{text}; {grounds.prior_text(model, before, found)}", {"id": _id(model, found), "probability": round(found.probability, 4)}, sources))
    return Section("What may explain these results", tuple(items))


def _worth_telling(told: Told, model: Model) -> list[Finding]:
    """Return the likely explanations, at least three of them, and the likeliest of each kind: disease is never left out."""
    told_kinds: set[str] = set()
    chosen = []
    for position, found in enumerate(told.findings):
        if found.probability >= _LEAST / 2 or position < 3 or _kind(model, found) not in told_kinds:
            chosen.append(found)
        told_kinds.add(_kind(model, found))
    return chosen


def _kind(model: Model, found: Finding) -> str:
    kinds = {model.causes[i].kind for i in found.explanation.causes}
    return "artefact" if "artefact" in kinds else kinds.pop()


def _predicted(told: Told, model: Model, first: Finding, used: dict[str, str]) -> Section:
    items = []
    for one, usual in zip(first.expected, model.population, strict=True):
        facts = [usual, *grounds.in_text(grounds.grounds_of(told.known, model, first, one.analyte))]
        ordinary = f"{_figure(one.usual)} by earlier results" if one.analyte in told.earlier else f"usually {_figure(one.usual)}"
        items.append(Item(f"{one.label}: {one.comparator}{_figure(one.observed)} {_unit(one.unit)} observed, {_figure(one.expected)} expected "
                          f"({_figure(one.low)} to {_figure(one.high)}); {ordinary}", _expected_data(one), grounds.note_all(used, facts)))
    if not first.severities:
        return Section("Observed, and expected where nothing is odd", tuple(items), _NO_RESULT)
    return Section(f"Observed, and expected with {inside(_name(model, first))}", (*items, Item(grounds.rests_on(model, told.known, first))),
                   _NO_RESULT)


def _accounted(told: Told, model: Model, before: Candidates, used: dict[str, str]) -> Section:
    items = []
    for weighed in (*before.because, *([_weighed_aside(told.aside)] if told.aside else [])):
        facts = [model.figures[name] for name in weighed.settings]
        items.append(Item(weighed.text, {"rows": [fact.id for fact in facts]} if facts else {}, grounds.note_all(used, facts)))
    return Section("Taken into account", tuple(items))


def _reportable(verdict: str, told: Told, model: Model) -> list[Section]:
    first = told.findings[0]
    if verdict == EXPLAINED and _kind(model, first) == "artefact":
        name = inside(_name(model, first))
        return [Section(f"Not reportable with {name}", tuple(Item(label) for label in _labels(model, first.not_reportable))),
                Section("Stays reportable, as far as is known", tuple(Item(label) for label in _labels(model, first.reportable)))]
    if verdict == NOTHING:
        return [Section("May be reported", (Item("Nothing in these results speaks against them."),))]
    if _artefact_open(told, model):
        return [Section("Hold until this is settled", tuple(Item(label) for label in _labels(model, _held(told, model))),
                        f"An artefact is {_percent(told.artefact)} likely.")]
    if verdict == EXPLAINED:
        return [Section("May be reported", (Item("Under this cause the results are the patient's own; report them as the laboratory's rules for such levels say."),))]
    return []


def _artefact_open(told: Told, model: Model) -> bool:
    return told.artefact >= model.settings["hold-above"]


def _held(told: Told, model: Model) -> tuple[int, ...]:
    """Return the results that any artefact still in question spoils."""
    return tuple(sorted({i for found in told.findings for i in found.not_reportable
                         if _kind(model, found) == "artefact" and found.probability >= _LEAST}))


def _labels(model: Model, places: tuple[int, ...]) -> list[str]:
    return [model.labels[i] for i in places]


def _checks(told: Told) -> Section:
    items: list[Item] = []
    for check in told.checks:
        tells = join(inside(told.model.causes[i].label) for i in check.separates) if told.model else ""
        text = f"{check.text}; {_NEEDS[check.needs]} ({check.adds_bits:.2f} bit" + (" more" if items else "") + (f"; tells apart {tells})" if tells else ")")
        items.append(Item(text, {}, (check.source,) if check.source else ()))
    return Section("Next check, the most telling first, then what adds most to it", tuple(items))


def _actions(connection: sqlite3.Connection, told: Told, model: Model, used: dict[str, str]) -> list[sqlite3.Row]:
    """Return what to do and to ask, of the leading causes, the most special first and each statement once."""
    found: dict[str, sqlite3.Row] = {}
    for leader in told.findings[:_ACTIONS_OF]:
        for index in leader.explanation.causes:
            factor = model.causes[index].factor
            if factor and leader.probability >= _LEAST:
                listed = rows(connection, "actions_of_factor", factor=factor)
                doubtful = model.causes[index].kind == "in-vivo" and _artefact_open(told, model)
                for kind in ("ask",) if doubtful else ("act", "ask"):
                    of_kind = sorted((row for row in listed if row["kind"] == kind), key=lambda row: row["factor"] != factor)
                    found.update({row["statement"]: row for row in of_kind[:_ACTIONS_EACH] if row["statement"] not in found})
    for row in found.values():
        note(used, row["source"], row["basis"])
    return sorted(found.values(), key=lambda row: row["kind"])


def _phone(told: Told, model: Model, actions: list[sqlite3.Row]) -> str:
    name, share = _named(told, model)
    artefact = _kind(model, told.findings[0]) == "artefact"
    asks = [row["statement"] for row in actions if row["kind"] == "ask"]
    question = f" {asks[0]}" if asks else ""
    if not artefact and not _artefact_open(told, model):
        return f"These results do not look like a fault of the specimen; they fit {inside(name)}. Does that agree with the patient?{question}"
    places = told.findings[0].not_reportable if artefact else _held(told, model)
    held = "all results of this specimen" if len(places) == len(model.analytes) else join(spoken(model.labels[i]) for i in places)
    if not artefact:
        return f"I am holding {held}: they fit {inside(name)}, but a fault of the specimen is {_percent(told.artefact)} likely.{question} I will call again when it is settled."
    return (f"I am holding {held}: the pattern fits {inside(name)}, {_percent(share)} likely among the causes that were weighed. "
            f"Please do not act on these results.{question} We need a fresh specimen before they can be reported.")


def _figure(value: float) -> str:
    return f"{value:.3g}" if abs(value) < 1000 else f"{value:.0f}"


def _unit(unit: str) -> str:
    return magnitude(0, None, unit)[2:]


def _id(model: Model, found: Finding) -> str:
    return "+".join(model.causes[i].id for i in found.explanation.causes)


def _cause_data(told: Told, model: Model, before: Candidates, found: Finding, used: dict[str, str]) -> dict[str, Any]:
    priors = [grounds.prior_data(model, before, i, used) for i in found.explanation.causes]
    data: dict[str, Any] = {"id": _id(model, found), "label": _name(model, found), "kind": _kind(model, found),
                            "probability": round(found.probability, 6), "prior": priors[0],
                            "severity": _severity_data(found.severities[0]) if found.severities else None,
                            "not_reportable": [model.analytes[i] for i in found.not_reportable],
                            "reportable": [model.analytes[i] for i in found.reportable],
                            "predicted": [_expected_data(one) | _from_data(told, model, found, place, used) for place, one in enumerate(found.expected)],
                            "because": [_link_data(link) for link in found.because]}
    if len(priors) > 1:
        data["priors"] = priors
    if len(found.severities) > 1:
        data["severities"] = [_severity_data(severity) for severity in found.severities]
    return data


def _from_data(told: Told, model: Model, found: Finding, place: int, used: dict[str, str]) -> dict[str, Any]:
    """Return what a program reads of where the expected and the usual figure come from."""
    analyte, usual = model.analytes[place], model.population[place]
    grounds.note_all(used, [usual])
    earlier = "own" if analyte in told.earlier else "others" if told.earlier else "none"
    return {"from": [grounds.ground_data(model, ground, used) for ground in grounds.grounds_of(told.known, model, found, analyte)],
            "usual_from": {**grounds.fact_data(usual), "earlier": earlier}}


def _severity_data(severity: Severity) -> dict[str, Any]:
    return {"value": _rounded(severity.value), "low": _rounded(severity.low), "high": _rounded(severity.high), "unit": severity.unit,
            "meaning": severity.meaning}


def _expected_data(one: Expected) -> dict[str, Any]:
    return {"analyte": one.analyte, "unit": one.unit, "observed": _rounded(one.observed), "comparator": one.comparator,
            "expected": _rounded(one.expected), "low": _rounded(one.low), "high": _rounded(one.high), "usual": _rounded(one.usual)}


def _link_data(link: Link) -> dict[str, Any]:
    return {"text": link.text, "kind": link.kind, "id": link.id, "rule": link.rule, "sources": list(link.sources)}


def _check_data(model: Model, check: Check) -> dict[str, Any]:
    return {"check": check.text, "gain_bits": round(check.gain_bits, 4), "adds_bits": round(check.adds_bits, 4), "separates": [model.causes[i].id for i in check.separates],
            "analyte": check.analyte or None, "needs": check.needs}


def _rounded(value: float) -> float:
    return float(f"{value:.6g}")
