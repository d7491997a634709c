-- answers: the unit conversions that hold for one analyte only
-- parameters: analyte
SELECT id, mass_of, from_unit, to_unit, factor, "offset", source, basis
FROM unit_conversions WHERE analyte = :analyte ORDER BY id
