"""Gates judged, and how they are told: JUnit XML, JSON, Markdown."""

from cloudprep.judging.judge import Judged, judge
from cloudprep.judging.outcome import FailedInput, GateRecord, Judgement

__all__ = ["FailedInput", "GateRecord", "Judged", "Judgement", "judge"]
