-- answers: everything broader and narrower than some terms
-- parameters: concepts (an id, or a JSON list of ids)
WITH wanted(id) AS (SELECT value FROM json_each(CASE substr(:concepts, 1, 1) WHEN '[' THEN :concepts ELSE '["' || :concepts || '"]' END))
SELECT x.narrower, x.broader, x.distance FROM wanted w JOIN closure x ON x.narrower = w.id
UNION
SELECT x.narrower, x.broader, x.distance FROM wanted w JOIN closure x ON x.broader = w.id
