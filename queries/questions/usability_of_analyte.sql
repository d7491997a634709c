-- answers: which additives and materials are published as suitable or unsuitable for an analyte or a group that holds it
-- parameters: analyte (id)
SELECT 'material' AS by, s.id AS id, m.additive AS additive, s.material AS material, s.usability AS usability, s.preferred AS preferred,
  s.condition AS condition, x.distance AS distance, f.sentence AS sentence, s.source AS source, s.basis AS basis
FROM closure x JOIN suitability s ON s.analyte = x.broader JOIN materials m ON m.id = s.material JOIN fact f ON f.id = s.id
WHERE x.narrower = :analyte AND s.usability <> 'not-known'
UNION ALL
SELECT 'additive', e.id, e.cause, e.material, e.usability, NULL, e.condition, x.distance, f.sentence, e.source, e.basis
FROM closure x JOIN effect e ON e.analyte = x.broader JOIN fact f ON f.id = e.id
WHERE x.narrower = :analyte AND e.status = 'asserted' AND e.usability <> 'not-known'
