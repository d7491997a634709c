-- answers: which specimen materials suit an analyte
-- parameters: analyte (id)
SELECT m.label AS material_label, m.additive AS additive, a.label AS analyte_label, s.*
FROM suitability s
JOIN materials m ON m.id = s.material
JOIN concept a ON a.id = s.analyte
WHERE s.analyte IN (SELECT broader FROM closure WHERE narrower = :analyte)
ORDER BY CASE s.usability WHEN 'suitable' THEN 0 WHEN 'limited' THEN 1 WHEN 'unsuitable' THEN 2 ELSE 3 END,
         s.preferred = 'yes' DESC, m.label, s.id
