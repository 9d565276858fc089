"""The pipeline of a batch, loaded only when it is needed: an unchanged file means what it meant before."""

from __future__ import annotations

import os
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cloudprep import __version__
from cloudprep.engine.standing import asked_of
from cloudprep.engine.urls import is_remote, local_path
from cloudprep.io.atomic import sha256_of

if TYPE_CHECKING:
    from cloudprep.config import Pipeline
    from cloudprep.runs.batch_record import BatchRecord
    from cloudprep.runs.batch_request import BatchRequest

_PACKAGE = Path(__file__).parents[1]


class KnownPipeline:
    """What a batch asks of every run.

    Parameters
    ----------
    request : BatchRequest
        Names the pipeline and the options.
    earlier : BatchRecord or None
        Of the batch that is gone on with. Loading a pipeline means loading what its stages are made of, which
        takes longer than looking through hundreds of finished sites: where the file, the version and the
        options are the same, what it declares is taken from there.
    """

    def __init__(self, request: BatchRequest, earlier: BatchRecord | None) -> None:
        self._request = request
        self._text = local_path(request.pipeline)
        self._earlier = earlier if earlier is not None and self._is_as_before(earlier) else None

    @property
    def is_as_before(self) -> bool:
        """Whether nothing that is asked has changed since the earlier batch."""
        return self._earlier is not None

    @cached_property
    def loaded(self) -> Pipeline:
        """The checked pipeline.

        Raises
        ------
        ConfigError
            With every problem of the file.
        UsageError
            If it can't be reached.
        """
        from cloudprep.engine.fetching import fetched_pipeline  # noqa: PLC0415 - see above

        return fetched_pipeline(self._request.pipeline)

    @property
    def source(self) -> str:
        """Where it comes from: an absolute path, or a URL as it may be shown."""
        if self._earlier is not None:
            return self._earlier.pipeline_source
        source = self.loaded.source
        return str(source) if not isinstance(source, Path) else os.path.abspath(source)  # noqa: PTH100 - links stay

    @property
    def sha256(self) -> str:
        """Of the bytes of the file; empty for a URL."""
        if self._earlier is not None:
            return self._earlier.pipeline_sha256
        return "" if is_remote(self._text) else sha256_of(Path(self.source))

    @cached_property
    def asked(self) -> dict[str, Any]:
        """What is asked of each run, as its record keeps it."""
        if self._earlier is not None:
            return self._earlier.asked
        return self._asked_of(self.loaded)

    def _asked_of(self, pipeline: Pipeline) -> dict[str, Any]:
        r = self._request
        return asked_of(pipeline, cell=r.cell, boundary=r.boundary, assume_crs=r.assume_crs)

    def _is_as_before(self, earlier: BatchRecord) -> bool:
        asked, request = earlier.asked, self._request
        boundary = None if request.boundary is None else str(request.boundary.resolve())
        options = (asked.get("cell"), asked.get("boundary"), asked.get("assume_crs"))
        if earlier.version != __version__ or options != (request.cell, boundary, request.assume_crs):
            return False
        if asked.get("added_stages") or is_remote(self._text):
            return False
        source = Path(earlier.pipeline_source)
        ready = source.parent in (_PACKAGE / "pipelines", _PACKAGE.parent / "pipelines")
        if ready:
            # Its relative paths start in the working folder.
            if source.stem != self._text or asked.get("pipeline_folder") != str(Path.cwd()):
                return False
        elif os.path.abspath(self._text) != str(source):  # noqa: PTH100 - links stay
            return False
        try:
            return sha256_of(source) == earlier.pipeline_sha256
        except OSError:
            return False
