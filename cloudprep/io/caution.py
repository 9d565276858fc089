"""What every result says of itself: the same sentence in records, reports, rasters, maps, measurements."""

FIGURES = (
    "Figures for payment, safety, slopes and legal boundaries need checking by licensed practice under local "
    "rules."
)
"""Of every figure, whoever reckoned it."""

CAUTION = f"Automatic results: check them against independent measurements before they guide work. {FIGURES}"
"""Of what a run delivers, where nobody has looked at every place."""
