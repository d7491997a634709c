-- answers: which analytes of the population can still be measured in what is left of some specimen materials
-- parameters: materials (a JSON list of ids, broader and narrower ones included)
-- What has to be kept on ice has moved by then; a gas syringe on ice says nothing of the same result in plasma.
SELECT p.analyte FROM population p
WHERE EXISTS (SELECT 1 FROM suitability s JOIN json_each(CASE substr(:materials, 1, 1) WHEN '[' THEN :materials ELSE '["' || :materials || '"]' END) m ON m.value = s.material
              WHERE s.analyte = p.analyte AND s.usability IN ('suitable', 'limited'))
  AND NOT EXISTS (SELECT 1 FROM handling h WHERE h.analyte = p.analyte AND h.requirement = 'keep-on-ice' AND h.material <> 'heparin-whole-blood')
ORDER BY p.id
