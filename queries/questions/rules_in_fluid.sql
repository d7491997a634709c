-- answers: which rules are recorded for an analyte in a body fluid or in narrower and broader kinds of it
-- parameters: analyte (id), material (id)
SELECT u.id, u.topic, u.statement, u.source, u.basis
FROM urine_rules u
WHERE u.analyte IN (SELECT broader FROM closure WHERE narrower = :analyte)
  AND u.material IN (SELECT broader FROM closure WHERE narrower = :material UNION SELECT narrower FROM closure WHERE broader = :material)
ORDER BY u.id
