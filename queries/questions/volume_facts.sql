-- answers: the facts on blood volume and its limits
-- parameters: none
SELECT v.*, f.sentence FROM volume_limits v JOIN fact f ON f.id = v.id ORDER BY v.id
