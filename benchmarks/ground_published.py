"""Published figures of ground classification on the ISPRS filter test, in percent, all from memory."""

from __future__ import annotations

# Total error of the best participant of the filter test (Axelsson; Sithole and Vosselman 2004) and of two
# later methods, tuned for each sample (Pingel et al. 2013, Hu et al. 2014); checked by the published means.
PER_SAMPLE = {
    "11": (10.76, 8.28, 8.31),
    "12": (3.25, 2.92, 2.58),
    "21": (4.25, 1.10, 0.95),
    "22": (3.63, 3.35, 3.23),
    "23": (4.00, 4.61, 4.42),
    "24": (4.42, 3.52, 3.80),
    "31": (4.78, 0.91, 0.90),
    "41": (13.91, 5.91, 5.91),
    "42": (1.62, 1.48, 0.73),
    "51": (2.72, 1.43, 2.04),
    "52": (3.07, 3.82, 2.52),
    "53": (8.91, 2.43, 2.74),
    "54": (3.23, 2.27, 2.35),
    "61": (2.08, 0.86, 0.84),
    "71": (1.63, 1.65, 1.50),
}
COLUMNS = ("Axelsson", "Pingel tuned", "Hu tuned")

# Means over all 15 samples with ONE set of parameters: total error and kappa, None where not given.
ONE_SET = (
    ("Hu et al. 2014, adaptive surface filter", 3.67, None),
    ("Electronics 2019, 8(10), 1153, multilevel adaptive", 3.72, 87.16),
    ("Pingel et al. 2013, simple morphological", None, 85.4),
)
