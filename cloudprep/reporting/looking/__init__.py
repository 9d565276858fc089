"""What a person should look at first: odd places, found by rules on cells, and ranked."""

from cloudprep.reporting.looking.finding import Finding
from cloudprep.reporting.looking.ranking import FINDERS, RULES, ranked, spread

__all__ = ["FINDERS", "RULES", "Finding", "ranked", "spread"]
