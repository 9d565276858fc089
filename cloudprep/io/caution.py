"""What every deliverable made for maps says of itself."""

CAUTION = (
    "Automatic results: what guides work, safety, payment or boundaries needs checking under local rules and "
    "by licensed practice."
)

FIGURES = (
    "Figures for payment, safety, slopes and legal boundaries need checking by licensed practice under local "
    "rules."
)
"""What every measurement says of itself."""
