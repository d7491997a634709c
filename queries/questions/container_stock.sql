-- answers: the sizes in which containers are usual, for whom and by which route
-- parameters: none
SELECT v.*, c.label, c.kind, c.additives, c.material, c.barrier,
  (SELECT max(s.low) FROM tube_specifications s WHERE s.quantity = 'blood-to-additive' AND instr(';' || c.additives || ';', ';' || s.additive || ';') > 0) AS blood_to_additive
FROM container_volumes v JOIN containers c ON c.id = v.container ORDER BY v.id
