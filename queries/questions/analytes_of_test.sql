-- answers: what a test or a panel measures
-- parameters: test (code)
WITH RECURSIVE part(code) AS (
  SELECT :test
  UNION
  SELECT m.member FROM test_member m JOIN part p ON p.code = m.panel
)
SELECT DISTINCT a.id, a.label FROM part p JOIN test_analyte ta ON ta.test = p.code JOIN concept a ON a.id = ta.analyte
ORDER BY a.label
