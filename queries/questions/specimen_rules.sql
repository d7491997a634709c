-- answers: what holds for urine, blood cultures and other specimens for an analyte
-- parameters: analyte (id)
SELECT u.id, u.topic, f.sentence, u.source, u.basis
FROM urine_rules u JOIN fact f ON f.id = u.id
WHERE u.analyte IN (SELECT broader FROM closure WHERE narrower = :analyte)
UNION ALL
SELECT c.id, c.topic, f.sentence, c.source, c.basis
FROM culture_rules c JOIN fact f ON f.id = c.id
WHERE :analyte = 'blood-culture'
ORDER BY 2, 1
