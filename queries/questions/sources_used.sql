-- answers: every source with the number of facts that rest on it
-- parameters: none
SELECT s.id, s.kind, s.authors, s.title, s.year, s.container, s.identifier, s.accessed, count(f.id) AS facts
FROM sources s LEFT JOIN fact f ON f.source = s.id
GROUP BY s.id ORDER BY facts DESC, s.id
