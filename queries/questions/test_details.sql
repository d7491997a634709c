-- answers: what the catalogue says of a test: analytes, materials, containers and handling, in its order
-- parameters: test (code)
SELECT t.*,
  (SELECT group_concat(analyte, ';') FROM (SELECT analyte FROM test_analyte WHERE test = t.code ORDER BY analyte)) AS analytes,
  (SELECT group_concat(material, ';') FROM (SELECT material FROM test_material WHERE test = t.code ORDER BY position)) AS materials,
  (SELECT group_concat(container, ';') FROM (SELECT container FROM test_container WHERE test = t.code ORDER BY position)) AS containers,
  (SELECT group_concat(requirement, ';') FROM (SELECT requirement FROM test_handling WHERE test = t.code ORDER BY requirement)) AS handling
FROM test t WHERE t.code = :test
