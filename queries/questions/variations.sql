-- answers: how much each result varies within a healthy person and between measurements, as a share; the mean of the sources
-- parameters: none
SELECT analyte, kind, avg(value) / 100 AS share FROM variation
WHERE kind IN ('within-subject', 'analytical', 'desirable-total-error') GROUP BY analyte, kind ORDER BY analyte, kind
