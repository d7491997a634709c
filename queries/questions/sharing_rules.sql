-- answers: which tests need a tube or an aliquot of their own, and which come from one run
-- parameters: none
SELECT s.*, f.sentence FROM sharing_rules s JOIN fact f ON f.id = s.id ORDER BY s.id
