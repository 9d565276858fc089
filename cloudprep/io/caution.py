"""What every deliverable made for maps says of itself."""

CAUTION = (
    "Automatic results: what guides work, safety, payment or boundaries needs checking under local rules and "
    "by licensed practice."
)
