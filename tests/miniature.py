"""A miniature of the ontology: every table of the metadata, with a few rows each.

The metadata, the vocabulary, the shapes and the rules are the shipped ones; only the rows are small. A table
is written here with the columns that matter; the others stay empty, and rows that need a source say
``common-practice``, basis ``practice``. No figure here is evidence for anything.
"""

from __future__ import annotations

import csv
import io
import json
import os
import shutil
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

from kg.build import Sources, Summary, build

REPOSITORY = Path(__file__).resolve().parent.parent

TABLES = {
    "candidate_causes": """\
id,cause,label,kind,model,course,prior,severity_low,severity_high,severity_unit,severity_meaning
filler-candidate-causes,filler,A pattern,artefact,signs,passing,1,0.5,2,1,about {value} times the pattern
""",
    "cause_shifts": """\
id,cause,analyte,change,change_kind,spread
filler-cause-shifts,filler,potassium,1,sd,0.5
""",
    "checks": """\
id,check,label,positive,needs,usual
filler-checks,filler-check,Look,Seen,tube,0.1
""",
    "check_outcomes": """\
id,check,cause,probability
filler-check-outcomes,filler-check,filler,0.9
""",
    "sources": """\
id,kind,title,year,accessed
common-practice,practice,Common practice of the trade,,none
recalled-general,recall,Recalled,,none
paper-read,paper,A paper that was read,2018,read-full
paper-abstract,paper,A paper of which the abstract was seen,2019,abstract
""",
    "mechanisms": """\
id,label,synonyms,broader,definition
chemical-mechanism,Chemical mechanism,,,A change by chemistry.
chelation,Chelation,complexation,chemical-mechanism,A ligand holds the metal ion.
cation-contamination,Cation contamination,,chemical-mechanism,The salt brings its cation.
analyte-contamination,Analyte contamination,,chemical-mechanism,The additive brings what is measured.
cofactor-removal,Cofactor removal,,chemical-mechanism,The method lacks an ion that it needs.
enzyme-inhibition,Enzyme inhibition,,chemical-mechanism,An enzyme is stopped.
dilution,Dilution,,,Liquid is added.
glycolysis,Glycolysis,,,Cells use glucose up.
glycolysis-inhibition,Stopped glycolysis,,,Cells no longer use glucose up.
haemolysis-release,Release by haemolysis,,,Red cells set their contents free.
clot-consumption,Used up by clotting,,,Clotting uses it up.
platelet-activation,Platelet release,,,Platelets set it free.
anticoagulation,Anticoagulation,,,The blood does not clot.
osmotic-shift,Osmotic shift,,,Water leaves the cells.
""",
    "species": """\
id,label,kind,formula,charge,molar_mass
potassium-ion,Potassium ion,ion,K,1,39.0983
calcium-ion,Calcium ion,ion,Ca,2,40.078
zinc-ion,Zinc ion,ion,Zn,2,65.38
fluoride-ion,Fluoride ion,ion,F,-1,18.998403163
edta-4minus,Edetate,ligand,,-4,288.21
enolase,Enolase,enzyme,,,
alkaline-phosphatase-enzyme,Alkaline phosphatase protein,enzyme,,,
d-glucose,D-Glucose,molecule,C6H12O6,,180.156
s-lactate,L-Lactate,molecule,,-1,89.07
fibrinogen,Fibrinogen protein,protein,,,
erythrocyte,Red cell,cell,,,
""",
    "analytes": """\
id,label,synonyms,discipline,property,unit,conventional_unit,factor_to_si
potassium,Potassium,K;kalium,chemistry,substance concentration,mmol/L,mg/dL,0.2558
calcium-total,"Calcium, total",Ca,chemistry,substance concentration,mmol/L,mg/dL,0.2495
calcium-ionised,Ionised calcium,,blood-gas,substance concentration,mmol/L,,
alp,Alkaline phosphatase,ALP,chemistry,catalytic activity concentration,U/L,,
glucose,Glucose,,chemistry,substance concentration,mmol/L,mg/dL,0.0555
lactate,Lactate,,chemistry,substance concentration,mmol/L,,
haematocrit,Haematocrit,,haematology,volume fraction,%,,
mcv,Mean cell volume,,haematology,entitic volume,fL,,
urine-glucose,"Glucose, urine",,urinalysis,substance concentration,mmol/L,,
""",
    "analyte_groups": """\
id,label,members
any-test,Any test,
blood-tests,Tests on blood,
blood-concentrations,Concentrations in blood,
other-specimen-tests,Tests of other specimens,
electrolytes,Electrolytes,potassium;calcium-total
""",
    "additives": """\
id,label,synonyms,broader,kind,form
edta-any-salt,"EDTA, any salt",,,anticoagulant,unspecified
k2-edta,K2EDTA,dipotassium edetate,edta-any-salt,anticoagulant,dry
sodium-citrate-3.2,Sodium citrate 3.2 %,,,anticoagulant,liquid
sodium-fluoride,Sodium fluoride,,,preservative,dry
no-additive-serum,No additive,,,none,none
""",
    "materials": """\
id,label,broader,additive
serum,Serum,,no-additive-serum
plasma,Plasma,,
edta-plasma,EDTA plasma,plasma,k2-edta
""",
    "containers": """\
id,label,kind,additives,barrier,colour,material
tube-k2-edta,K2EDTA tube,tube,k2-edta,none,lavender,edta-plasma
tube-plain,Plain tube,tube,no-additive-serum,none,red,serum
""",
    "methods": """\
id,label,analytes
ocpc-calcium,"Calcium, dye binding",calcium-total
pnpp-alp,"Alkaline phosphatase, nitrophenyl phosphate",alp
""",
    "fluids": "id,label\npotassium-infusion,Potassium infusion\n",
    "processes": """\
id,label,mechanism
blood-cell-glycolysis,Glycolysis of blood cells,glycolysis
clotting,Clotting,clot-consumption
red-cell-lysis,Lysis of red cells,haemolysis-release
""",
    "factors": """\
id,label,kind,broader,additive,fluid,process
additive-carryover,Carry-over of an additive,carry-over,,,,
k2-edta-carryover,K2EDTA carry-over,carry-over,additive-carryover,k2-edta,,
infusion-arm,Blood from the arm with the infusion,infusion,,,potassium-infusion,
late-separation,Cells left on the plasma,handling,,,,blood-cell-glycolysis
lysed-cells,Lysed red cells,collection,,,,red-cell-lysis
""",
    "handling_requirements": "id,label,definition\nkeep-on-ice,Keep on ice,Put the tube in ice water at once.\n",
    "guidelines": "id,label,route,year\nbench-order,Order of the bench,venous,2020\n",
    "composition": """\
id,additive,relation,species,per_mole,low,high,unit
co-0001,k2-edta,releases,potassium-ion,2,1.50,2.200,mg/mL
co-0002,k2-edta,releases,edta-4minus,1,0.123456789,1,mmol/L
co-0003,sodium-fluoride,releases,fluoride-ion,1,,,
""",
    "binding": """\
id,ligand,metal,strength,log10_k,precipitates
bi-0001,edta-4minus,calcium-ion,strong,10.65,no
bi-0002,edta-4minus,zinc-ion,strong,16.5,no
""",
    "inhibition": "id,agent,target,strength\nin-0001,fluoride-ion,enolase,complete\n",
    "measurands": """\
id,analyte,species,relation
me-0001,potassium,potassium-ion,is
me-0002,calcium-ionised,calcium-ion,is-free
me-0003,alp,alkaline-phosphatase-enzyme,is-activity
me-0004,glucose,d-glucose,is
me-0005,lactate,s-lactate,is
""",
    "requirements": """\
id,method,species,need,role,direction,mechanism
rq-0001,ocpc-calcium,calcium-ion,needs,the dye binds it,decrease,chelation
rq-0002,pnpp-alp,zinc-ion,needs,part of the enzyme,decrease,cofactor-removal
""",
    "process_turnover": """\
id,process,relation,species
pt-0001,blood-cell-glycolysis,consumes,d-glucose
pt-0002,blood-cell-glycolysis,releases,s-lactate
pt-0003,blood-cell-glycolysis,needs,enolase
""",
    "cell_contents": "id,species,cell,ratio,unit\ncc-0001,potassium-ion,erythrocyte,23,1\n",
    "fluid_composition": "id,fluid,component,species,value,unit\nfc-0001,potassium-infusion,potassium,potassium-ion,40,mmol/L\n",
    "reference_limits": "id,analyte,kind,low,high,unit\nrl-0001,potassium,reference,3.5,5.1,mmol/L\n",
    "additive_effects": """\
id,additive,analyte,material,method,mechanism,direction,low,high,unit,condition,usability,source,locator,basis
ae-0001,k2-edta,calcium-total,edta-plasma,ocpc-calcium,chelation,decrease,-90,-50,%,full tube,unsuitable,paper-read,table 2,read
ae-0002,k2-edta,alp,,,cofactor-removal,decrease,,,,,unsuitable,paper-abstract,abstract,abstract
ae-0003,k2-edta,glucose,,,,increase,,,,,,recalled-general,,memory
""",
    "factor_effects": """\
id,factor,dose,dose_unit,analyte,mechanism,direction,low,high,unit
fe-0001,late-separation,4,h,glucose,glycolysis,decrease,-25,-10,%
""",
    "contradictions": "id,cause,analyte,published,explanation\nxc-0001,k2-edta,glucose,increase,Told from memory only.\n",
    "actions": "id,factor,kind,statement,rank\nac-0001,late-separation,ask,Ask when the blood was drawn,1\n",
    "suitability": "id,analyte,material,usability,preferred\nsu-0001,potassium,serum,suitable,yes\n",
    "stability": """\
id,analyte,material,additives,state,temperature,temperature_low,temperature_high,limit,limit_unit,outcome,condition
st-0001,potassium,serum,,separated,refrigerated,2,8,7,d,stable-for,
st-0002,glucose,edta-plasma,k2-edta,unseparated,room,20,25,1,h,unstable-after,cells left on
""",
    "kinetics": "id,process,analyte,temperature,rate,rate_unit\nki-0001,glycolysis,glucose,room,-0.3,mmol/L/h\n",
    "handling": "id,analyte,requirement,value,unit\nhr-0001,lactate,keep-on-ice,15,min\n",
    "variation": "id,analyte,kind,value\nva-0001,potassium,within-subject,4.6\n",
    "draw_order": "id,guideline,position,additives,containers,step\ndo-0001,bench-order,1,k2-edta,tube-k2-edta,EDTA tube\n",
    "draw_findings": "id,topic,guideline,finding\ndf-0001,order,bench-order,Nothing came over\n",
    "tube_specifications": "id,additive,quantity,low,high,unit\nts-0001,k2-edta,concentration,1.2,2,mg/mL\n",
    "share_steps": "id,step,short,role,rank,per,condition\nshare-keep,Keep what is left,keep,finish,90,specimen,always\n",
    "volume_limits": "id,population,weight_low,weight_high,quantity,low,high,unit\nvl-0001,newborn,2,4,volume,1,3,mL\n",
    "citrate_rules": "id,kind,statement\nci-0001,formula,Take citrate out where the haematocrit is high\n",
    "mixing_experiments": """\
id,contaminant,kind,amount,amount_unit,analyte,low,high,unit,direction
cq-0001,k2-edta,published,3.2,%,potassium,11.9,11.9,%,increase
""",
    "haemolysis_quantities": "id,analyte,quantity,low,high,unit\nhq-0001,potassium,slope,0.3,0.3,mmol/L\n",
    "urine_rules": "id,material,topic,subject,statement\nur-0001,serum,topic,subject,A statement\n",
    "culture_rules": "id,topic,item,statement\ncu-0001,antisepsis,Alcohol,Let it dry\n",
    "left_out": "id,evidence_table,evidence_row,reason\nlo-0001,additive_effects,ae-0099,said twice\n",
    "deprecated": "id,reason\nold-potassium,was said twice\n",
}
CATALOGUE = """\
code,name,kind,members,analytes,method,materials,containers,volume_ml,department,status
T-K,Potassium,test,,potassium,,serum,tube-plain,0.50,chemistry,active
T-CA,Calcium,test,,calcium-total,ocpc-calcium,serum,tube-plain,0.5,chemistry,active
P-UE,Electrolytes,panel,T-K;T-CA,,,,,,chemistry,active
"""
MAPPINGS = """\
#mapping_set_id: https://w3id.org/tubelore/mappings/miniature
subject_id\tpredicate_id\tobject_id\tobject_label\tmapping_justification\tcomment
tubelore:potassium\tskos:narrowMatch\tLOINC:2823-3\tPotassium\tsemapv:ManualMappingCuration\tmemory
"""
_DEFAULTS = {"source": "common-practice", "basis": "practice"}


@dataclass(frozen=True)
class Miniature:
    """A checkout of its own with the miniature knowledge; everything in it may be broken."""

    root: Path

    @property
    def sources(self) -> Sources:
        """The folders to build from."""
        return Sources(self.root / "ontology", self.root / "queries")

    def table(self, name: str) -> Path:
        """The CSV file of a table."""
        return self.root / "ontology" / "facts" / f"{name}.csv"

    def rows(self, name: str) -> list[list[str]]:
        """The cells of a table, header first."""
        return list(csv.reader(io.StringIO(self.table(name).read_text(encoding="utf-8"))))

    def write_rows(self, name: str, rows: list[list[str]]) -> None:
        """Write the cells of a table, header first."""
        write_table(self.table(name), rows)

    def break_field(self, name: str, row: int, column: str, value: str) -> None:
        """Overwrite one field; `row` counts as an editor does, the header being row 1."""
        rows = self.rows(name)
        rows[row - 1][rows[0].index(column)] = value
        self.write_rows(name, rows)

    def add_row(self, name: str, **values: str) -> None:
        """Append a row; fields not given stay empty, or common practice for the evidence."""
        rows = self.rows(name)
        rows.append([values.get(column, _DEFAULTS.get(column, "")) for column in rows[0]])
        self.write_rows(name, rows)

    def build(self, output: Path) -> Summary:
        """Build in this process."""
        return build(output, self.sources)

    def command(self, *arguments: str, **environment: str) -> subprocess.CompletedProcess[str]:
        """Run the command line on this checkout."""
        return run_command(*arguments, folder=self.root, **environment)


def write_table(path: Path, rows: list[list[str]]) -> None:
    """Write cells, header first, as a CSV file."""
    with path.open("w", encoding="utf-8", newline="") as file:
        csv.writer(file, lineterminator="\n").writerows(rows)


def run_command(*arguments: str, folder: Path = REPOSITORY, **environment: str) -> subprocess.CompletedProcess[str]:
    """Run ``tubelore`` as a subprocess with the sources of a checkout."""
    home = {"TUBELORE_HOME": str(folder / "no-home")} if folder != REPOSITORY else {}
    return subprocess.run(
        [sys.executable, "-c", "import sys; from kg.cli import main; sys.exit(main())", *arguments],
        cwd=folder, env={**os.environ, **home, **environment}, capture_output=True, text=True, timeout=600, check=False,
    )


def write_miniature(root: Path) -> Miniature:
    """Write the miniature checkout into a new folder."""
    facts = root / "ontology" / "facts"
    facts.mkdir(parents=True)
    for folder in ("queries", "build"):
        shutil.copytree(REPOSITORY / folder, root / folder)
    (root / "kg").symlink_to(REPOSITORY / "kg")
    for name in ("vocabulary.ttl", "shapes.ttl"):
        shutil.copy(REPOSITORY / "ontology" / name, root / "ontology" / name)
    for metadata in sorted((REPOSITORY / "ontology" / "facts").glob("*.csv-metadata.json")):
        shutil.copy(metadata, facts / metadata.name)
        name = metadata.name.removesuffix(".csv-metadata.json")
        (facts / f"{name}.csv").write_text(_widened(metadata, TABLES.get(name) or _filler(metadata)), encoding="utf-8")
    demonstration = root / "ontology" / "demonstration"
    demonstration.mkdir()
    metadata = REPOSITORY / "ontology" / "demonstration" / "catalogue.csv-metadata.json"
    shutil.copy(metadata, demonstration / metadata.name)
    (demonstration / "catalogue.csv").write_text(_widened(metadata, CATALOGUE), encoding="utf-8")
    (root / "ontology" / "mappings").mkdir()
    (root / "ontology" / "mappings" / "miniature.sssom.tsv").write_text(MAPPINGS, encoding="utf-8")
    return Miniature(root)


def _filler(metadata: Path) -> str:
    """Return one row of a table that is not written above: what must be filled is filled with what is allowed."""
    described = json.loads(metadata.read_text(encoding="utf-8"))
    values = {}
    for column in described["tableSchema"]["columns"]:
        datatype = column.get("datatype", "string")
        base, allowed = (datatype, "") if isinstance(datatype, str) else (datatype["base"], datatype.get("format", ""))
        refers = column.get("https://w3id.org/tubelore/vocab#refersTo")
        if not column.get("required") or column["name"] in _DEFAULTS:
            continue
        if refers:
            values[column["name"]] = TABLES[refers[0]].splitlines()[1].split(",")[0]
        elif "|" in allowed:
            values[column["name"]] = allowed.split("|")[0]
        elif column.get("https://w3id.org/tubelore/vocab#unit"):
            values[column["name"]] = "%"
        else:
            values[column["name"]] = "filler" if base == "string" else "1"
    values["id"] = "filler-" + metadata.name.split(".")[0].replace("_", "-")
    return f"{','.join(values)}\n{','.join(values.values())}\n"


def _widened(metadata: Path, text: str) -> str:
    """Return a table with all the columns of its metadata."""
    described = json.loads(metadata.read_text(encoding="utf-8"))["tableSchema"]["columns"]
    columns = [column["name"] for column in described if not column.get("virtual")]
    rows = csv.DictReader(io.StringIO(text))
    given = rows.fieldnames or []
    if not set(given) <= set(columns):
        raise ValueError(f"{metadata.name} has no column {sorted(set(given) - set(columns))}")
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(columns)
    writer.writerows([row.get(column, _DEFAULTS.get(column, "")) for column in columns] for row in rows)
    return out.getvalue()
