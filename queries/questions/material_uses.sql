-- answers: which specimen materials are whole blood, which are spun off blood, and which are culture or dried spots
-- parameters: none
SELECT m.id AS material, m.additive,
  CASE
    WHEN EXISTS (SELECT 1 FROM closure c WHERE c.narrower = m.id AND c.broader IN ('cord-blood', 'post-mortem-blood', 'fetal-scalp-blood')) THEN 'other'
    WHEN EXISTS (SELECT 1 FROM closure c WHERE c.narrower = m.id AND c.broader = 'plasma-or-serum') THEN 'spun'
    WHEN EXISTS (SELECT 1 FROM closure c WHERE c.narrower = m.id AND c.broader = 'blood-culture-broth') THEN 'culture'
    WHEN EXISTS (SELECT 1 FROM closure c WHERE c.narrower = m.id AND c.broader IN ('whole-blood', 'dried-blood-spot')) THEN 'whole'
    ELSE 'other'
  END AS use
FROM materials m ORDER BY m.id
