"""What tests on synthetic patients share."""

from __future__ import annotations

METABOLIC = ("sodium", "potassium", "chloride", "bicarbonate", "urea", "creatinine", "glucose", "calcium-total", "albumin", "total-protein", "alp", "alt", "ast",
             "bilirubin-total")
