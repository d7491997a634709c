-- answers: the charge of every species that has one
-- parameters: none
SELECT id, charge FROM species WHERE charge IS NOT NULL ORDER BY id
