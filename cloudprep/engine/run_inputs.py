"""The inputs of a run, step by step: found, opened, settled to one reference system, read."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from cloudprep.engine.flight_facts import flight_facts, refuse_too_many
from cloudprep.engine.groups import LARGEST_GAP, site_groups
from cloudprep.engine.header_figures import header_figures
from cloudprep.engine.inputs import deliverable_names, expand_inputs
from cloudprep.engine.plan import check_needs, wanted_columns
from cloudprep.engine.reference import settle, site_reference
from cloudprep.engine.tracking import TrackedInput, old_labels, open_with_points
from cloudprep.engine.working import extra_labels
from cloudprep.errors import BadInputError, OutputError, UsageError
from cloudprep.io.las import check_room_for_labels, fingerprint
from cloudprep.model.bounds import NOWHERE
from cloudprep.model.crs import CloudCrs

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date
    from pathlib import Path

    from cloudprep.engine.area import Area
    from cloudprep.engine.fetching import FetchedInputs
    from cloudprep.engine.holding import Holder
    from cloudprep.engine.loading import Units
    from cloudprep.engine.progress import ProgressSink
    from cloudprep.engine.reference import Assumptions
    from cloudprep.engine.remarks import Remarks
    from cloudprep.io.las import Flight
    from cloudprep.model.site import FlightFacts
    from cloudprep.stages.base import Stage


class RunInputs:
    """What a run is given; an input that fails is set aside, and the others go on.

    Parameters
    ----------
    stages : sequence of Stage
        What the flights will go through.
    remarks : Remarks
        Takes warnings and assumptions.
    progress : ProgressSink
        Told of failures and of points that were read.
    """

    def __init__(self, stages: Sequence[Stage], remarks: Remarks, progress: ProgressSink) -> None:
        self.stages = stages
        self.remarks = remarks
        self.progress = progress
        self.all: list[TrackedInput] = []
        self.columns: frozenset[str] = frozenset()

    @property
    def alive(self) -> list[TrackedInput]:
        """Those that nothing has failed of."""
        return [i for i in self.all if i.alive]

    @property
    def readable(self) -> list[tuple[Flight, Units]]:
        """The flights that are open, and their units."""
        return [(i.flight, i.settled.units) for i in self.alive if i.flight and i.settled]

    @property
    def units(self) -> Units:
        """The units of the clouds: the flights of a run share them."""
        return next(i.settled.units for i in self.all if i.settled)

    @property
    def created(self) -> list[date]:
        """When the flights were made, as those that say it have it in their headers."""
        dates = [i.flight.header.creation_date for i in self.alive if i.flight]
        return [day for day in dates if day is not None]

    @property
    def facts(self) -> tuple[FlightFacts, ...]:
        """What stages are told of each flight."""
        return tuple(flight_facts(one.flight, one.name) for one in self.alive if one.flight)

    def named(self, crs: CloudCrs) -> CloudCrs:
        """Return the reference system with the units of the clouds."""
        return replace(crs, horizontal_unit=self.units.horizontal, vertical_unit=self.units.vertical)

    def fail(self, which: TrackedInput, error: BadInputError | OutputError) -> None:
        """Set an input aside, and say why."""
        which.failure = error.reason if isinstance(error, BadInputError) else str(error)
        # What the system refused may be given another time; a damaged file stays damaged.
        which.try_again = isinstance(error, OutputError) or _refused_by_system(error)
        where = f"{which.shown}: " if isinstance(error, BadInputError) else ""
        self.progress.note(f"FAILED {where}{which.failure}")

    # -- the steps -------------------------------------------------------------------------------------------

    def find(self, fetched: FetchedInputs, leave_out: Path) -> list[Path]:
        """Find the inputs and name what they become; return their files.

        Parameters
        ----------
        fetched : FetchedInputs
            What was typed, with URLs fetched.
        leave_out : Path
            The run's own folder, which is no input.
        """
        paths: list[Path] = []
        if fetched.local or not fetched.fetched:
            paths = expand_inputs(fetched.local, leave_out=leave_out, note=self.remarks.assume)
        names = deliverable_names(paths)
        self.all = [TrackedInput.found(p, n, fetched.shown(p)) for p, n in zip(paths, names, strict=True)]
        for one in fetched.fetched:
            if one.failure:
                self.all.append(TrackedInput(one.path, one.url, one.url))
                self.fail(self.all[-1], BadInputError(one.url, one.failure))
        return paths

    def open(self, said: Assumptions, *, delivered: bool) -> None:
        """Open the flights, and settle what each says of its reference system.

        Parameters
        ----------
        said : Assumptions
            What the user said of it.
        delivered : bool
            Whether clouds are delivered: they need room for new labels.
        """
        said.resolve()  # an unknown code is the user's mistake: say so before any file is blamed
        for one in self.alive:
            try:
                flight = open_with_points(one.path)
                if delivered:
                    check_room_for_labels(flight, extra_labels(self.stages))
                one.settled = settle(flight, said)
            except BadInputError as error:
                self.fail(one, error)
                continue
            one.flight = flight
            one.points = flight.count
            one.warnings = [*flight.warnings, *one.settled.crs.warnings, *old_labels(flight, self.stages)]
            for text in one.settled.assumed:
                self.remarks.assume(text)
            for text in one.warnings:
                self.remarks.warn(f"{one.path.name}: {text}")

    def check_needs(self) -> None:
        """Refuse flights that lack what a stage needs.

        Raises
        ------
        MissingColumnError
            With the stage and the column.
        """
        flights = [i.flight for i in self.alive if i.flight]
        self.columns = frozenset.intersection(*(f.columns for f in flights)) if flights else frozenset[str]()
        if flights:
            check_needs(self.stages, self.columns)
            refuse_too_many(wanted_columns(self.stages), len(flights))

    def reference(self) -> CloudCrs:
        """Return the reference system that the flights share.

        Raises
        ------
        UsageError
            If they differ.
        """
        settled = [(i.flight, i.settled) for i in self.alive if i.flight and i.settled]
        if not settled:
            return CloudCrs()
        crs, notes = site_reference(settled)
        for note in notes:
            self.remarks.assume(note)
        return crs

    def read(self, holder: Holder, today: date) -> None:
        """Read all points, and take the fingerprint of each file."""
        self.progress.start("reading", sum(i.points for i in self.alive))
        for one in self.alive:
            assert one.flight is not None  # noqa: S101
            assert one.settled is not None  # noqa: S101
            try:
                one.loaded = holder.read(one.flight, one.settled.units, self.progress.advance)
                one.sha256 = str(fingerprint(one.path)["sha256"])
            except BadInputError as error:
                self.fail(one, error)
                continue
            one.figures.update(header_figures(one.flight, one.settled.units, one.loaded.counts, today))
            one.stray = one.loaded.stray_count
            if one.stray:
                number = "1 point lies" if one.stray == 1 else f"{one.stray} points lie"
                text = f"{number} at absurd coordinates, far from the rest: labelled noise, used for nothing"
                one.warnings.append(text)
                self.remarks.warn(f"{one.path.name}: {text}")
        self.progress.finish()

    def refuse_unused(self, area: Area) -> None:
        """Refuse a boundary that no point lies in, and say how many points it leaves unused.

        Raises
        ------
        UsageError
            If nothing is left.
        """
        for one in self.alive:
            one.beyond = one.loaded.beyond_count if one.loaded else 0
        if all(i.loaded is None or i.loaded.extent == NOWHERE for i in self.alive):
            raise UsageError(
                f"boundary: {area.path}: no point of the clouds lies in it or within {area.buffer:g} m of it"
            )
        beyond = sum(i.beyond for i in self.alive)
        if beyond:
            self.progress.note(
                f"{beyond:,} of {sum(i.points for i in self.alive):,} points lie more than {area.buffer:g} m "
                "beyond the boundary: used for nothing"
            )

    def refuse_far_apart(self) -> None:
        """Refuse flights that can't be one site.

        Raises
        ------
        UsageError
            With the groups that they form.
        """
        there = [i for i in self.alive if i.loaded and i.loaded.extent != NOWHERE]
        groups = site_groups([i.loaded.extent for i in there if i.loaded])
        if len(groups) > 1:
            named = "; ".join(
                f"group {k}: {', '.join(there[i].path.name for i in group)}"
                for k, group in enumerate(groups, 1)
            )
            raise UsageError(
                f"a run is one site, but these inputs lie more than {LARGEST_GAP / 1000:g} km apart "
                f"(run each group by itself): {named}"
            )


def _refused_by_system(error: BadInputError | OutputError) -> bool:
    cause = error.__cause__
    return isinstance(cause, OSError) and cause.errno is not None
