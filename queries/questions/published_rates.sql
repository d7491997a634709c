-- answers: every published rate of change, with the factor from the conventional to the SI unit of its analyte
-- parameters: none
SELECT k.*, c.label AS analyte_label, p.label AS process_label, a.conventional_unit, a.factor_to_si FROM kinetics k
JOIN concept c ON c.id = k.analyte JOIN concept p ON p.id = k.process LEFT JOIN analytes a ON a.id = k.analyte ORDER BY k.id
