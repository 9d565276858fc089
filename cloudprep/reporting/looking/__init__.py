"""What a person should look at first: odd places, found by rules on cells, and ranked."""

from cloudprep.reporting.looking.finding import Finding
from cloudprep.reporting.looking.ranking import RULES, candidates, ranked

__all__ = ["RULES", "Finding", "candidates", "ranked"]
