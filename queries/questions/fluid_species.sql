-- answers: which species each infusion fluid holds, where its sources agree
-- parameters: none
SELECT fluid, species FROM fluid_composition WHERE species IS NOT NULL
GROUP BY fluid, species HAVING min(coalesce(value, 1)) > 0 ORDER BY fluid, species
