-- answers: the level of each analyte in the population that odd results are judged by, and how it must be counted
-- parameters: none
SELECT p.id, p.analyte, c.label, p.mean, p.sd, p.unit, p.shape, p.specimen, a.discipline, p.source, p.basis,
       EXISTS (SELECT 1 FROM closure WHERE narrower = p.analyte AND broader = 'plasma-concentrations') AS in_plasma,
       EXISTS (SELECT 1 FROM closure WHERE narrower = p.analyte AND broader = 'blood-concentrations') AS in_blood,
       (SELECT m.species FROM measurands m WHERE m.analyte = p.analyte AND m.relation = 'is' ORDER BY m.id LIMIT 1) AS species,
       (SELECT abs(s.charge) FROM measurands m JOIN species s ON s.id = m.species
        WHERE m.analyte = p.analyte AND m.relation = 'is' ORDER BY m.id LIMIT 1) AS charge
FROM population p JOIN concept c ON c.id = p.analyte JOIN analytes a ON a.id = p.analyte ORDER BY p.id
