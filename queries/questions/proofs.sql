-- answers: by which rules and from which premises a conclusion follows
-- parameters: conclusion (id)
SELECT p.id AS proof, p.rule, r.title AS rule_title, r.says AS rule_says, x.position, f.id AS fact, f.table_name,
       f.sentence, f.source, f.locator, f.basis
FROM proof p
JOIN rule r ON r.id = p.rule
JOIN premise x ON x.proof = p.id
JOIN fact f ON f.id = x.fact
WHERE p.conclusion = :conclusion
ORDER BY p.id, x.position
