-- answers: which analytes of the population can be measured in some specimen materials
-- parameters: materials (a JSON list of ids, broader and narrower ones included)
SELECT p.analyte FROM population p
WHERE EXISTS (SELECT 1 FROM suitability s JOIN json_each(CASE substr(:materials, 1, 1) WHEN '[' THEN :materials ELSE '["' || :materials || '"]' END) m ON m.value = s.material
              WHERE s.analyte = p.analyte AND s.usability IN ('suitable', 'limited'))
ORDER BY p.id
