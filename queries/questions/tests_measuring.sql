-- answers: which tests of the catalogue measure an analyte, and which panels hold them
-- parameters: analyte (id)
WITH RECURSIVE holding(code) AS (
  SELECT test FROM test_analyte
  WHERE analyte IN (SELECT :analyte UNION SELECT narrower FROM closure WHERE broader = :analyte)
  UNION
  SELECT m.panel FROM test_member m JOIN holding h ON h.code = m.member
)
SELECT t.code, t.name, t.kind, t.department, t.status FROM test t JOIN holding h ON h.code = t.code
ORDER BY t.kind DESC, t.code
