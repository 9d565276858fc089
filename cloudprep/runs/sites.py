"""The sites of a batch: made out from headers, or known from before where no flight has changed."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING

from cloudprep.runs.batch_record import BatchInput
from cloudprep.runs.naming import site_names

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from pathlib import Path

    from cloudprep.runs.batch_record import BatchRecord
    from cloudprep.runs.batch_request import BatchRequest
    from cloudprep.runs.known_pipeline import KnownPipeline

__all__ = ["Site", "Sites", "find_sites"]

# As for the runs: times of files may be as coarse as this.
_COARSEST_NS = 2_000_000_000


@dataclass(frozen=True)
class Site:
    """One site of a batch.

    Parameters
    ----------
    name : str
        Of the site, and of its folder.
    paths : tuple of Path
        Its flights.
    points : int
        As headers tell.
    """

    name: str
    paths: tuple[Path, ...]
    points: int


@dataclass(frozen=True)
class Sites:
    """The sites, and what became of every input.

    Parameters
    ----------
    sites : tuple of Site
        By name.
    inputs : tuple of BatchInput
        All flights, also those that were set aside, in the order of their paths.
    notes : tuple of str
        What people should know.
    """

    sites: tuple[Site, ...]
    inputs: tuple[BatchInput, ...]
    notes: tuple[str, ...] = ()


def find_sites(
    paths: Sequence[Path],
    request: BatchRequest,
    pipeline: KnownPipeline,
    earlier: BatchRecord | None,
    there: Mapping[str, Mapping[str, int]],
    advance: Callable[[int], None],
) -> Sites:
    """Return the sites that flights make.

    Parameters
    ----------
    paths : sequence of Path
        The flights.
    request : BatchRequest
        How they are grouped.
    pipeline : KnownPipeline
        What it assumes of flights without a reference system.
    earlier : BatchRecord or None
        Of the batch that is gone on with.
    there : mapping of str to mapping of str to int
        Paths and sizes of the flights of sites that have a folder already: they keep their names.
    advance : callable
        Told of every header that was read.
    """
    looked = {path: _look(path) for path in paths}
    if not pipeline.is_as_before:
        earlier = None
    if earlier is not None and (earlier.group_by, earlier.gap_m) == (request.group_by, request.gap):
        known = _known(looked, earlier)
        if known is not None:
            return known
    return _made_out(looked, request, pipeline, there, advance)


def _look(path: Path) -> BatchInput:
    try:
        facts = path.stat()
    except OSError:
        return BatchInput(path=str(path))
    return BatchInput(
        path=str(path),
        size_bytes=facts.st_size,
        modified_ns=max(facts.st_mtime_ns, 0),
        changed_ns=max(facts.st_ctime_ns, 0),
    )


def _known(looked: dict[Path, BatchInput], earlier: BatchRecord) -> Sites | None:
    """Return the sites of an earlier batch, if its flights are the same and nobody touched them."""
    before = {one.path: one for one in earlier.inputs}
    settled = int(datetime.fromisoformat(earlier.started).timestamp() * 1e9) - _COARSEST_NS
    if before.keys() != {one.path for one in looked.values()}:
        return None
    for one in looked.values():
        was = before[one.path]
        # What was set aside is looked at again: it may only have been out of reach.
        if was.reason or one != was.model_copy(update={"site": ""}) or one.changed_ns >= settled:
            return None
    by_path = {str(path): path for path in looked}
    sites = tuple(
        Site(site.name, tuple(by_path[p] for p in site.inputs), site.points) for site in earlier.sites
    )
    return Sites(sites, tuple(earlier.inputs), tuple(earlier.assumed))


def _made_out(
    looked: dict[Path, BatchInput],
    request: BatchRequest,
    pipeline: KnownPipeline,
    there: Mapping[str, Mapping[str, int]],
    advance: Callable[[int], None],
) -> Sites:
    from cloudprep.engine.reference import Assumptions  # noqa: PLC0415 - not where all is known
    from cloudprep.errors import BadInputError  # noqa: PLC0415
    from cloudprep.runs.grouping import group_flights, header_facts  # noqa: PLC0415

    assume = pipeline.asked["pipeline"]["assume"]
    said = Assumptions(request.assume_crs or assume["crs"], assume["units"])
    said.resolve()  # an unknown code is the user's mistake: say so before any file is blamed
    facts, inputs = [], dict(looked)
    for path in looked:
        try:
            facts.append(header_facts(path, said))
        except BadInputError as error:
            inputs[path] = inputs[path].model_copy(update={"reason": error.reason})
        advance(1)
    grouped = group_flights(facts, request.group_by, request.gap)
    groups = [[f.path for f in group] for group in grouped.groups]
    names = site_names(
        groups,
        by_folder=request.group_by == "folder",
        earlier=there,
        sizes={path: one.size_bytes for path, one in looked.items()},
    )
    sites = [
        Site(name, tuple(paths), sum(f.points for f in group))
        for name, paths, group in zip(names, groups, grouped.groups, strict=True)
    ]
    for site in sites:
        for path in site.paths:
            inputs[path] = inputs[path].model_copy(update={"site": site.name})
    ordered = sorted(inputs.values(), key=lambda one: one.path)
    return Sites(tuple(sorted(sites, key=lambda s: s.name)), tuple(ordered), grouped.notes)
