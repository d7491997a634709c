-- answers: which factor each candidate cause belongs to, and the broader ones, nearest first
-- parameters: none
SELECT k.cause, x.broader AS family, c.label, x.distance
FROM candidate_causes k JOIN closure x ON x.narrower = k.factor JOIN concept c ON c.id = x.broader
ORDER BY k.id, x.distance, x.broader
