-- answers: what the local catalogue says of one test that a plan needs to know
-- parameters: test (code)
SELECT t.code, t.name, t.kind, t.method, t.department, t.status, t.remark, t.stability_hours, t.stability_temperature,
       (SELECT group_concat(material, ';') FROM (SELECT material FROM test_material WHERE test = t.code ORDER BY position)) AS materials,
       (SELECT group_concat(analyte, ';') FROM (SELECT analyte FROM test_analyte WHERE test = t.code ORDER BY analyte)) AS analytes,
       (SELECT group_concat(requirement, ';') FROM (SELECT requirement FROM test_handling WHERE test = t.code ORDER BY requirement)) AS handling
FROM test t
WHERE t.code = :test
