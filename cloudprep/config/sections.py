"""What may stand in a pipeline file beside the stages: output, boundary, grid, assume and gates."""

from __future__ import annotations

import re
import struct
from typing import Annotated, Literal, Self

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, field_validator, model_validator

from cloudprep.config.tile_names import check_tile_name
from cloudprep.errors import UsageError

__all__ = ["Assume", "Boundary", "Gate", "GridOptions", "OutputOptions", "TileScheme", "checked_reference"]

_REFERENCE = re.compile(r"EPSG:[0-9]{4,6}(\+[0-9]{4,6})?")
_REFERENCE_WORDS = "must be like EPSG:25832, or EPSG:25832+7837 with a height system"


def checked_reference(text: object) -> str:
    """Return a reference system as it was typed, if it has the right form.

    Parameters
    ----------
    text : str
        ``EPSG:n``, or ``EPSG:n+m`` with the code of a height system.

    Raises
    ------
    UsageError
        If it has another form. Whether the code exists is found out when it is used.

    Examples
    --------
    >>> checked_reference("epsg:25832")
    'EPSG:25832'
    """
    code = str(text).strip().upper()
    if not _REFERENCE.fullmatch(code):
        raise UsageError(f"{_REFERENCE_WORDS}, got '{text}'")
    return code


class _Section(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False)


def _number_as_version(value: object) -> object:
    """Let ``las_version: 1.4`` be written without quotes."""
    return "1.4" if isinstance(value, float) and value == 1.4 else value


def _as_tuple(value: object) -> object:
    return tuple(value) if isinstance(value, list) else value


class TileScheme(_Section):
    """Squares of the plan that rasters are cut into, one file each."""

    size: float = Field(gt=0, description="side of a tile, in the unit; whole cells of every raster")
    origin: Annotated[tuple[float, float], BeforeValidator(_as_tuple, json_schema_input_type=list[float])] = (
        Field(
            default=(0.0, 0.0),
            description="easting and northing of a corner of any tile, in the unit; on an edge of the cells",
        )
    )
    unit: Literal["metre", "cloud"] = Field(
        default="metre",
        description="unit of size and origin: metres, or whatever unit the clouds' plan is in",
    )
    name: str = Field(
        default="{product}_{east}_{north}",
        description="file name without ending; {east} and {north} are the south-western corner in the unit, "
        "{column} and {row} count tiles from the origin, {east:07} fills up with zeros",
    )

    @field_validator("name")
    @classmethod
    def _check_name(cls, value: str) -> str:
        check_tile_name(value)
        return value


class OutputOptions(_Section):
    """How clouds, rasters and layers are written."""

    format: Literal["laz", "las"] = Field(default="laz", description="file format of the delivered clouds")
    clouds: bool = Field(
        default=True, description="write the clouds; false where a pipeline only judges or makes rasters"
    )
    drop_noise: bool = Field(default=False, description="leave noise points out of the delivered clouds")
    las_version: Annotated[
        Literal["keep", "1.4"],
        BeforeValidator(_number_as_version, json_schema_input_type=Literal["keep", "1.4", 1.4]),
    ] = Field(
        default="keep", description="keep each flight's version and point format, or upgrade both to LAS 1.4"
    )
    raster_nodata: float = Field(
        default=-9999.0,
        le=-2000,
        description="stands for nothing in rasters of heights and other figures (codes have 0): -9999, or "
        "-999999, say; below all heights on land, in feet too",
    )
    height_unit: Literal["keep", "metre", "foot", "us_survey_foot"] = Field(
        default="keep",
        description="unit of heights in rasters and layers: that of the clouds, or another (foot: 0.3048 m, "
        "US survey foot: 1200/3937 m); the vertical reference system goes along",
    )
    layers: Annotated[
        tuple[Literal["gpkg", "dxf"], ...],
        BeforeValidator(_as_tuple, json_schema_input_type=list[Literal["gpkg", "dxf"]]),
    ] = Field(
        default=("gpkg",),
        min_length=1,
        description="file formats of points, lines and areas: gpkg, a GeoPackage; dxf, a drawing",
    )
    tiles: TileScheme | None = Field(default=None, description="cut rasters into tiles; whole if left out")
    tile_index: bool = Field(
        default=False, description="write terrain/index.gpkg: footprints of all rasters and clouds"
    )
    report: bool = Field(
        default=True,
        description="write report.html: one page that shows the run to people and needs nothing else",
    )
    stac_item: bool = Field(
        default=False, description="write item.json: a STAC item of the run for catalogues"
    )

    @field_validator("raster_nodata")
    @classmethod
    def _check_nodata(cls, value: float) -> float:
        try:
            same = struct.unpack("f", struct.pack("f", value))[0] == value
        except OverflowError:
            same = False
        if not same:
            raise ValueError(f"must be a number that four bytes (float32) hold exactly, got {value:.17g}")
        return value


class Boundary(_Section):
    """The area to deliver; what lies beyond its buffer is used for nothing."""

    file: str = Field(
        min_length=1,
        description="file of polygons in any usual GIS format (GeoPackage, shapefile, GeoJSON, ...), below "
        "the folder of the pipeline unless absolute",
    )
    layer: str | None = Field(default=None, description="which layer, where the file has several")
    # USGS Lidar Base Specification 2.1, Collection Requirements: defined project area = area of interest
    # + 100 m.
    buffer: float = Field(
        default=100.0,
        ge=0,
        le=100_000,
        description="points so far beyond the boundary still shape its edge, m",
    )
    clouds: Literal["cut", "whole"] = Field(
        default="cut", description="deliver clouds without the points outside, or whole"
    )


class GridOptions(_Section):
    """What all rasters of a run have in common."""

    cell: float | None = Field(
        default=None, gt=0, description="cell size of all rasters that name none themselves, m"
    )


class Assume(_Section):
    """What holds for flights that don't say it themselves; never used against what a flight says."""

    crs: str | None = Field(
        default=None,
        description="reference system of flights that carry none: EPSG:n, or EPSG:n+m with a height system",
    )
    units: Literal["metre", "foot", "us_survey_foot"] | None = Field(
        default=None, description="unit of coordinates and heights where neither a flight nor crs tells it"
    )

    @field_validator("crs", mode="before")
    @classmethod
    def _check_crs(cls, value: object) -> object:
        if value is None:
            return None
        try:
            return checked_reference(value)
        except UsageError as error:
            raise ValueError(str(error)) from error


def _as_pair(value: object) -> object:
    if isinstance(value, list | tuple) and len(value) == 2:
        return tuple(value)
    raise ValueError("must be a list of two numbers, the lower one first: [0.2, 0.6]")


class Gate(_Section):
    """A figure that a run, or each of its flights, must reach before anyone relies on it."""

    figure: str = Field(
        min_length=1, max_length=200, description="name of the figure, as the run record gives it"
    )
    at_least: float | None = Field(default=None, description="the figure must not be smaller")
    at_most: float | None = Field(default=None, description="the figure must not be larger")
    between: (
        Annotated[tuple[float, float], BeforeValidator(_as_pair, json_schema_input_type=list[float])] | None
    ) = Field(
        default=None,
        description="both limits at once, the lower one first; in place of at_least and at_most",
        json_schema_extra={"minItems": 2, "maxItems": 2},
    )
    severity: Literal["fail", "warn"] = Field(
        default="fail",
        description="fail: a missed gate ends the run with exit code 3; warn: it is only told",
    )
    per: Literal["flight", "run"] = Field(
        default="run", description="judge each flight by itself, or the run as a whole"
    )
    optional: bool = Field(
        default=False,
        description="where there is no such figure (a flight that overlaps no other has no offset), nothing "
        "is judged; false: the gate is missed then",
    )
    why: str | None = Field(
        default=None, max_length=500, description="what the gate is for: one line that people are shown"
    )

    @field_validator("figure", "why")
    @classmethod
    def _check_line(cls, value: str | None) -> str | None:
        if value is not None and not value.isprintable():
            raise ValueError("must be one line without control characters")
        return value

    @property
    def lowest(self) -> float | None:
        """The smallest value that passes; None where there is no such limit."""
        return self.between[0] if self.between is not None else self.at_least

    @property
    def highest(self) -> float | None:
        """The largest value that passes; None where there is no such limit."""
        return self.between[1] if self.between is not None else self.at_most

    @property
    def limits(self) -> str:
        """The limits in words.

        >>> Gate(figure="ground.share", between=(0.2, 0.6)).limits
        'between 0.2 and 0.6'
        >>> Gate(figure="ground.share", at_least=0.1).limits
        'at least 0.1'
        """
        low, high = self.lowest, self.highest
        if low is None:
            return f"at most {high:.10g}"
        if high is None:
            return f"at least {low:.10g}"
        return f"between {low:.10g} and {high:.10g}"

    @model_validator(mode="after")
    def _check_limits(self) -> Self:
        if self.between is not None:
            if self.at_least is not None or self.at_most is not None:
                raise ValueError("a gate has either 'between', or 'at_least' and 'at_most', not both")
            if self.between[0] > self.between[1]:
                raise ValueError(
                    f"'between' starts with {self.between[0]:g}, which is larger than {self.between[1]:g}"
                )
            return self
        if self.at_least is None and self.at_most is None:
            raise ValueError("a gate needs 'at_least' or 'at_most', or both, or 'between'")
        if self.at_least is not None and self.at_most is not None and self.at_least > self.at_most:
            raise ValueError(f"'at_least' {self.at_least:g} is larger than 'at_most' {self.at_most:g}")
        return self
