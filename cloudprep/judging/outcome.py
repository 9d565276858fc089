"""How gates went."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from pydantic import BaseModel, ConfigDict, Field

if TYPE_CHECKING:
    from collections.abc import Sequence

Outcome = Literal["passed", "warned", "failed", "not_judged"]
Severity = Literal["fail", "warn"]


class GateRecord(BaseModel):
    """One gate and how it went, for the run or for one flight."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    figure: str
    per: Literal["flight", "run"] = "run"
    flight: str = Field("", description="the input as the record names it; empty for a gate of the run")
    at_least: float | None = None
    at_most: float | None = None
    severity: Severity = "fail"
    optional: bool = Field(False, description="whether a missing figure is no reason to miss the gate")
    why: str = Field("", description="what the gate is for")
    value: float | None = Field(None, description="null where the figure is missing or no number")
    unit: str = Field("", description="of value and limits, where it is known")
    passed: bool
    outcome: Outcome = Field(
        description="warned: missed, but its severity is warn; not_judged: there was nothing to judge"
    )
    reason: str = Field("", description="why it didn't pass")


class FailedInput(BaseModel):
    """An input that gates couldn't judge, because it failed."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    flight: str = Field(description="the input as the record names it")
    reason: str


@dataclass(frozen=True)
class Judgement:
    """Everything there is to tell about the gates of a run.

    Parameters
    ----------
    gates : sequence of GateRecord
        Gates of the run and of each flight, in the order of the pipeline, then of the inputs.
    failed : sequence of FailedInput
        Inputs that failed.
    flights : sequence of str
        All inputs, as the record names them.
    pipeline : str
        Where the pipeline came from.
    version : str
        Of this program.
    started : str
        When the run began: ISO 8601, UTC.
    seconds : float
        How long it took up to its gates.
    """

    gates: Sequence[GateRecord]
    failed: Sequence[FailedInput] = ()
    flights: Sequence[str] = ()
    pipeline: str = ""
    version: str = ""
    started: str = ""
    seconds: float = 0.0

    def count(self, outcome: Outcome) -> int:
        """Return how many gates went so."""
        return sum(gate.outcome == outcome for gate in self.gates)
