-- answers: the tests of a panel, panels within it opened, and members that the catalogue does not hold
-- parameters: panel (code)
WITH RECURSIVE part(code) AS (
  SELECT member FROM test_member WHERE panel = :panel
  UNION
  SELECT m.member FROM test_member m JOIN part p ON p.code = m.panel
)
SELECT p.code, t.name, t.kind, t.status FROM part p LEFT JOIN test t ON t.code = p.code
WHERE t.kind IS NULL OR t.kind <> 'panel' ORDER BY p.code
