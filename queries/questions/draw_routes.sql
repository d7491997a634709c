-- answers: what is taken for granted for a way of drawing blood, with the volumes to waste
-- parameters: none
SELECT r.*, a.value AS waste_ml, a.source AS waste_source, a.basis AS waste_basis, a.finding AS waste_finding,
  b.value AS citrate_waste_ml, b.source AS citrate_waste_source, b.basis AS citrate_waste_basis, b.finding AS citrate_waste_finding
FROM draw_routes r LEFT JOIN draw_findings a ON a.id = r.waste LEFT JOIN draw_findings b ON b.id = r.waste_before_citrate ORDER BY r.id
