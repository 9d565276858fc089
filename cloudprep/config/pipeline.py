"""The pipeline as declared: read from YAML, checked whole, every problem reported at once."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, Self

from pydantic import BaseModel, ConfigDict, SerializeAsAny

from cloudprep.config.check import CheckedParts, checked_parts
from cloudprep.config.locate import find_pipeline, ready_pipelines
from cloudprep.config.sections import Assume, Boundary, Gate, GridOptions, OutputOptions
from cloudprep.config.yaml_text import YamlText, read_yaml
from cloudprep.errors import ConfigError
from cloudprep.stages.base import StageParams  # noqa: TC001 - pydantic reads the annotation
from cloudprep.stages.registry import stage_class

if TYPE_CHECKING:
    from collections.abc import Mapping

    from cloudprep.stages.base import Stage

__all__ = ["Pipeline", "StageEntry", "load_pipeline"]


class StageEntry(BaseModel):
    """One stage of a pipeline: its name and its checked parameters."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)

    stage: str
    params: SerializeAsAny[StageParams]

    def build(self) -> Stage:
        """Return the stage, ready to be resolved against a site."""
        return stage_class(self.stage)(self.params)


class Pipeline(BaseModel):
    """A checked pipeline. It comes from :func:`load_pipeline` or :meth:`from_dict`.

    Parameters
    ----------
    cloudprep : 1
        Version of the file format.
    stages : tuple of StageEntry
        In the order in which they work.
    output : OutputOptions
        How clouds, rasters and layers are written.
    boundary : Boundary, optional
        The area to deliver.
    grid : GridOptions
        What all rasters have in common.
    assume : Assume
        What holds for flights that don't say it themselves.
    gates : tuple of Gate
        Figures that a run must reach.
    source : Path or str, optional
        The file it was read from, or its URL.
    warnings : tuple of str
        What is allowed but probably not meant, as ``file:line: ...``.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)

    cloudprep: Literal[1] = 1
    stages: tuple[StageEntry, ...]
    output: OutputOptions = OutputOptions()
    boundary: Boundary | None = None
    grid: GridOptions = GridOptions()
    assume: Assume = Assume()
    gates: tuple[Gate, ...] = ()
    source: Path | str | None = None
    warnings: tuple[str, ...] = ()

    @classmethod
    def from_dict(cls, values: Mapping[str, Any], *, label: str = "pipeline") -> Self:
        """Return the pipeline that plain values declare, as a YAML file would.

        Parameters
        ----------
        values : mapping
            What the file would hold.
        label : str
            Stands for the file name in messages.

        Raises
        ------
        ConfigError
            With every problem.

        Examples
        --------
        >>> Pipeline.from_dict({"cloudprep": 1, "stages": []})
        Traceback (most recent call last):
        ...
        cloudprep.errors.ConfigError: pipeline: the pipeline has no stages
        """
        return cls._from_parts(checked_parts(YamlText(dict(values)), label, with_lines=False), None)

    @classmethod
    def from_file(cls, path: Path) -> Self:
        """Return the pipeline that a file declares; see :func:`load_pipeline`."""
        try:
            content = path.read_bytes()
        except OSError as error:
            raise ConfigError([f"{path}: can't be read: {error.strerror or error}"]) from error
        return cls._from_parts(checked_parts(read_yaml(content), str(path), with_lines=True), path)

    @classmethod
    def _from_parts(cls, parts: CheckedParts, source: Path | None) -> Self:
        return cls(
            stages=tuple(StageEntry(stage=name, params=params) for name, params in parts.stages),
            output=parts.output,
            boundary=parts.boundary,
            grid=parts.grid,
            assume=parts.assume,
            gates=tuple(parts.gates),
            source=source,
            warnings=tuple(parts.warnings),
        )

    @property
    def folder(self) -> Path:
        """Where relative paths of the pipeline start: beside its file.

        For a ready pipeline, and for one that is no file here, it is the working folder.
        """
        if not isinstance(self.source, Path) or self.source in ready_pipelines().values():
            return Path()
        return self.source.parent

    def build(self) -> list[Stage]:
        """Return the stages in order, each ready to be resolved against a site."""
        return [entry.build() for entry in self.stages]

    def as_dict(self) -> dict[str, Any]:
        """Return the pipeline as plain values with every default filled in.

        Parameters that are derived from the cloud stay None until a stage is resolved. ``from_dict`` of it
        gives an equal pipeline.
        """
        return {
            "cloudprep": self.cloudprep,
            "stages": [{"stage": e.stage, **e.params.model_dump(mode="json")} for e in self.stages],
            "output": self.output.model_dump(mode="json"),
            "boundary": None if self.boundary is None else self.boundary.model_dump(mode="json"),
            "grid": self.grid.model_dump(mode="json"),
            "assume": self.assume.model_dump(mode="json"),
            "gates": [gate.model_dump(mode="json") for gate in self.gates],
        }


def load_pipeline(path_or_name: str | Path) -> Pipeline:
    """Return a checked pipeline.

    Parameters
    ----------
    path_or_name : str or Path
        A YAML file, or the bare name of a ready pipeline (``bare_earth``).

    Returns
    -------
    Pipeline
        With every default filled in.

    Raises
    ------
    ConfigError
        With every problem of the file, each as ``file:line: where: what is wrong``.
    """
    return Pipeline.from_file(find_pipeline(path_or_name))
