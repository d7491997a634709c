-- answers: the steps of sharing a specimen, and which tests ask for each
-- parameters: none
SELECT * FROM share_steps ORDER BY rank, id
