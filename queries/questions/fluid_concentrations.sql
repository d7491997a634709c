-- answers: how much of each species an infusion fluid holds, by every source
-- parameters: fluid (id)
SELECT id, species, value, unit, source, basis FROM fluid_composition
WHERE fluid = :fluid AND species IS NOT NULL AND value IS NOT NULL ORDER BY species, id
