-- answers: the rules by which a specimen is accepted
-- parameters: none
SELECT d.*, f.sentence FROM decision_rules d JOIN fact f ON f.id = d.id ORDER BY d.id
