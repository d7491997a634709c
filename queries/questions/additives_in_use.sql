-- answers: what the tubes hold that the local catalogue asks for
-- parameters: none
SELECT DISTINCT c.additives FROM test_container t JOIN containers c ON c.id = t.container
WHERE c.additives IS NOT NULL ORDER BY c.additives
