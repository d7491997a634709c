-- answers: the reactions and constants with which the speciation is computed
-- parameters: none
SELECT id, product, phase, reaction, sites, log10_k, ionic_strength, temperature, enthalpy FROM equilibrium_constants ORDER BY id
