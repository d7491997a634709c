-- The index that questions are answered from. The fact tables themselves are made from their CSVW
-- metadata; these are the tables that join, derive and describe them.

CREATE TABLE build_info (
  key TEXT PRIMARY KEY,
  value TEXT NOT NULL
) STRICT;

CREATE TABLE build_input (
  file TEXT PRIMARY KEY,
  sha256 TEXT NOT NULL,
  rows INTEGER NOT NULL
) STRICT;

CREATE TABLE concept (
  id TEXT PRIMARY KEY,
  kind TEXT NOT NULL,
  label TEXT NOT NULL,
  definition TEXT,
  broader TEXT REFERENCES concept(id),
  table_name TEXT NOT NULL,
  row INTEGER NOT NULL,
  source TEXT,
  basis TEXT
) STRICT;

-- Every way in which a person may name a concept. `folded` is lower case without accents or marks.
CREATE TABLE name (
  folded TEXT NOT NULL,
  concept TEXT NOT NULL REFERENCES concept(id),
  name TEXT NOT NULL,
  sort TEXT NOT NULL,
  PRIMARY KEY (folded, concept)
) STRICT, WITHOUT ROWID;

-- Broader, member-of and contains, followed all the way; each concept is also its own at distance 0.
CREATE TABLE closure (
  narrower TEXT NOT NULL REFERENCES concept(id),
  broader TEXT NOT NULL REFERENCES concept(id),
  distance INTEGER NOT NULL,
  PRIMARY KEY (narrower, broader)
) STRICT, WITHOUT ROWID;

CREATE TABLE mapping (
  subject TEXT NOT NULL REFERENCES concept(id),
  predicate TEXT NOT NULL,
  system TEXT NOT NULL,
  code TEXT NOT NULL,
  display TEXT,
  basis TEXT,
  PRIMARY KEY (subject, system, code, predicate)
) STRICT, WITHOUT ROWID;

CREATE TABLE effect (
  id TEXT PRIMARY KEY,
  cause TEXT NOT NULL REFERENCES concept(id),
  analyte TEXT NOT NULL REFERENCES concept(id),
  mechanism TEXT REFERENCES mechanisms(id),
  method TEXT REFERENCES methods(id),
  material TEXT REFERENCES materials(id),
  direction TEXT NOT NULL,
  usability TEXT,
  low REAL,
  high REAL,
  unit TEXT,
  magnitude_meaning TEXT,
  dose REAL,
  dose_unit TEXT,
  dose_meaning TEXT,
  condition TEXT,
  setting TEXT,
  explanation TEXT,
  status TEXT NOT NULL,
  agreement TEXT,
  source TEXT REFERENCES sources(id),
  locator TEXT,
  basis TEXT,
  note TEXT
) STRICT;

CREATE TABLE interaction (
  id TEXT PRIMARY KEY,
  agent TEXT NOT NULL REFERENCES concept(id),
  verb TEXT NOT NULL,
  target TEXT NOT NULL REFERENCES concept(id)
) STRICT;

CREATE TABLE rule (
  id TEXT PRIMARY KEY,
  title TEXT NOT NULL,
  says TEXT NOT NULL,
  proofs INTEGER NOT NULL,
  sparql TEXT NOT NULL
) STRICT;

CREATE TABLE proof (
  id TEXT PRIMARY KEY,
  conclusion TEXT NOT NULL,
  rule TEXT NOT NULL REFERENCES rule(id)
) STRICT;

CREATE TABLE premise (
  proof TEXT NOT NULL REFERENCES proof(id),
  position INTEGER NOT NULL,
  fact TEXT NOT NULL REFERENCES fact(id),
  PRIMARY KEY (proof, position)
) STRICT, WITHOUT ROWID;

-- Every row of every table and every conclusion, as one sentence with its evidence.
CREATE TABLE fact (
  id TEXT PRIMARY KEY,
  table_name TEXT NOT NULL,
  row INTEGER,
  sentence TEXT NOT NULL,
  source TEXT REFERENCES sources(id),
  locator TEXT,
  basis TEXT
) STRICT;

-- A published effect against what the rules derive, and why they differ where they do.
CREATE TABLE contradiction (
  effect TEXT NOT NULL REFERENCES effect(id),
  explanation TEXT REFERENCES contradictions(id),
  UNIQUE (effect, explanation)
) STRICT;

CREATE TABLE test (
  code TEXT PRIMARY KEY,
  name TEXT NOT NULL,
  kind TEXT NOT NULL,
  method TEXT,
  volume_ml REAL,
  minimum_volume_ml REAL,
  dead_volume_ml REAL,
  stability_hours REAL,
  stability_temperature TEXT,
  separate_within_minutes REAL,
  turnround_hours REAL,
  department TEXT,
  loinc TEXT,
  status TEXT NOT NULL,
  remark TEXT,
  row INTEGER NOT NULL
) STRICT;

CREATE TABLE test_member (
  panel TEXT NOT NULL REFERENCES test(code),
  member TEXT NOT NULL,
  position INTEGER NOT NULL,
  PRIMARY KEY (panel, member)
) STRICT, WITHOUT ROWID;

CREATE TABLE test_analyte (
  test TEXT NOT NULL REFERENCES test(code),
  analyte TEXT NOT NULL REFERENCES concept(id),
  PRIMARY KEY (test, analyte)
) STRICT, WITHOUT ROWID;

CREATE TABLE test_material (
  test TEXT NOT NULL REFERENCES test(code),
  material TEXT NOT NULL REFERENCES concept(id),
  position INTEGER NOT NULL,
  PRIMARY KEY (test, material)
) STRICT, WITHOUT ROWID;

CREATE TABLE test_container (
  test TEXT NOT NULL REFERENCES test(code),
  container TEXT NOT NULL REFERENCES concept(id),
  position INTEGER NOT NULL,
  PRIMARY KEY (test, container)
) STRICT, WITHOUT ROWID;

CREATE TABLE test_handling (
  test TEXT NOT NULL REFERENCES test(code),
  requirement TEXT NOT NULL REFERENCES concept(id),
  PRIMARY KEY (test, requirement)
) STRICT, WITHOUT ROWID;

-- What each candidate cause does to each result at 16 severities, evenly spaced on a logarithmic scale between the
-- limits of the cause: gain x value + shift, give or take `spread` (in the unit of the population) and
-- `relative_spread` (a share). Where there is no row, nothing moves.
CREATE TABLE cause_response (
  analyte TEXT NOT NULL REFERENCES concept(id),
  cause TEXT NOT NULL,
  step INTEGER NOT NULL,
  gain REAL NOT NULL,
  shift REAL NOT NULL,
  spread REAL NOT NULL,
  relative_spread REAL NOT NULL,
  PRIMARY KEY (analyte, cause, step)
) STRICT, WITHOUT ROWID;

-- The facts that what a candidate cause does to a result was made from, by what the response rests on: `chemistry` (figures of a
-- computation), `equilibrium` (constants of the complexes solved in it), `sign` (an effect of known direction, its size judged)
-- or `pattern` (a row of cause_shifts).
CREATE TABLE cause_ground (
  analyte TEXT NOT NULL REFERENCES concept(id),
  cause TEXT NOT NULL,
  kind TEXT NOT NULL,
  fact TEXT NOT NULL REFERENCES fact(id),
  PRIMARY KEY (analyte, cause, kind, fact)
) STRICT, WITHOUT ROWID;

CREATE TABLE table_info (
  table_name TEXT PRIMARY KEY,
  title TEXT NOT NULL,
  description TEXT NOT NULL
) STRICT;

CREATE TABLE column_info (
  table_name TEXT NOT NULL REFERENCES table_info(table_name),
  column_name TEXT NOT NULL,
  description TEXT NOT NULL,
  PRIMARY KEY (table_name, column_name)
) STRICT, WITHOUT ROWID;
