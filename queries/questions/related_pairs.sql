-- answers: everything that is broader or narrower than some concepts, themselves included
-- parameters: concepts (a JSON list of ids)
SELECT x.narrower AS concept, x.broader AS related, x.distance FROM json_each(CASE substr(:concepts, 1, 1) WHEN '[' THEN :concepts ELSE '["' || :concepts || '"]' END) w JOIN closure x ON x.narrower = w.value
UNION SELECT x.broader, x.narrower, -x.distance FROM json_each(CASE substr(:concepts, 1, 1) WHEN '[' THEN :concepts ELSE '["' || :concepts || '"]' END) w JOIN closure x ON x.broader = w.value
