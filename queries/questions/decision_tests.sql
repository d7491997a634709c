-- answers: what the local catalogue says of some tests
-- parameters: tests (a code, or a JSON list of codes)
SELECT t.*, (SELECT group_concat(analyte, ';') FROM test_analyte WHERE test = t.code) AS analytes,
       (SELECT group_concat(material, ';') FROM (SELECT material FROM test_material WHERE test = t.code ORDER BY position)) AS materials,
       (SELECT group_concat(container, ';') FROM (SELECT container FROM test_container WHERE test = t.code ORDER BY position)) AS containers,
       (SELECT group_concat(requirement, ';') FROM test_handling WHERE test = t.code) AS requirements
FROM json_each(CASE substr(:tests, 1, 1) WHEN '[' THEN :tests ELSE '["' || :tests || '"]' END) w JOIN test t ON t.code = w.value
