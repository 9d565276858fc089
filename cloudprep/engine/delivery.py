"""The deliverables of a run besides its clouds: rasters, layers, the index of all, the catalogue item."""

from __future__ import annotations

from typing import TYPE_CHECKING

from cloudprep.engine.clipping import clipped_surface
from cloudprep.engine.closing import output_record
from cloudprep.engine.deliver import RasterManner, deliver_grid, deliver_layers, deliver_surfaces
from cloudprep.engine.footprints import CloudFootprint, RasterFootprint, write_index
from cloudprep.engine.stac import Delivered, stac_item, write_item
from cloudprep.engine.tiling import Tiling
from cloudprep.io.atomic import sha256_of
from cloudprep.io.height_unit import height_reference
from cloudprep.io.raster_facts import raster_facts
from cloudprep.model.crs import METRE

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date, datetime
    from pathlib import Path

    from cloudprep.config import OutputOptions
    from cloudprep.engine.area import Area
    from cloudprep.engine.folder import RunFolder
    from cloudprep.engine.record import OutputRecord
    from cloudprep.io.las import WrittenCloud
    from cloudprep.model.crs import CloudCrs
    from cloudprep.model.grid import Grid
    from cloudprep.model.layer import Layer, TinSurface
    from cloudprep.model.site import SiteFacts


class Delivery:
    """Writes what a run makes, as the pipeline's output section wants it.

    Parameters
    ----------
    folder : RunFolder
        Where to.
    crs : CloudCrs
        Of the clouds, units filled in.
    output : OutputOptions
        How.
    area : Area, optional
        Only what lies in it.
    """

    def __init__(self, folder: RunFolder, crs: CloudCrs, output: OutputOptions, area: Area | None) -> None:
        self._folder = folder
        self._output = output
        self._area = area
        self.crs = crs
        self.heights, self.remark = height_reference(crs, output.height_unit)
        unit = crs.horizontal_unit or METRE
        tiles = output.tiles
        self.tiling = None if tiles is None else Tiling(tiles, METRE if tiles.unit == "metre" else unit)
        self._manner = RasterManner(
            output.raster_nodata, self.remark, self.tiling, None if area is None else area.inner
        )
        self._rasters: list[RasterFootprint] = []
        self._clouds: list[CloudFootprint] = []

    @property
    def _listed(self) -> bool:
        return self._output.tile_index or self._output.stac_item

    def raster(self, grid: Grid, scratch: Path | None = None) -> tuple[list[OutputRecord], int]:
        """Write a raster, and the picture beside it; nothing if no cell of it is to be delivered.

        Parameters
        ----------
        grid : Grid
            The raster.
        scratch : Path, optional
            Folder to finish files in.

        Returns
        -------
        list of OutputRecord
            What was written.
        int
            Bytes that files in the scratch folder took meanwhile.
        """
        records = []
        taken = 0
        for made in deliver_grid(grid, self._folder.terrain, self.heights, self._manner, scratch=scratch):
            taken = max(taken, made.scratch_bytes)
            record = output_record(self._folder.root, made.path, made.kind, made.sha256)
            records.append(record)
            if made.cells is not None and self._listed:
                facts = raster_facts(made.path)
                self._rasters.append(RasterFootprint(record.path, made.product, made.cells, facts))
        return records, taken

    def layers(self, layers: Sequence[Layer], origin: tuple[float, float]) -> list[OutputRecord]:
        """Write the vector layers."""
        region = None if self._area is None else self._area.inner
        made = deliver_layers(layers, self._output.layers, self._folder.terrain, self.heights, origin, region)
        return [output_record(self._folder.root, g.path, g.kind, g.sha256) for g in made]

    def surfaces(self, surfaces: Sequence[TinSurface], origin: tuple[float, float]) -> list[OutputRecord]:
        """Write the surfaces of triangles."""
        if self._area is not None:
            surfaces = [clipped_surface(one, self._area.inner, origin) for one in surfaces]
        made = deliver_surfaces(surfaces, self._folder.terrain, self.heights, origin)
        return [output_record(self._folder.root, g.path, g.kind, g.sha256) for g in made]

    def cloud(self, made: WrittenCloud, source: Path, shown: str) -> OutputRecord:
        """Take note of a cloud that was written, from a source that people know by another name maybe."""
        record = output_record(
            self._folder.root, made.path, "cloud", made.sha256, source=shown, points=made.count
        )
        self._clouds.append(CloudFootprint(record.path, source.name, made.count, made.box))
        return record

    def index(self) -> list[OutputRecord]:
        """Write the footprints of all rasters and clouds, if that is wanted."""
        if not self._output.tile_index or not (self._rasters or any(c.box for c in self._clouds)):
            return []
        path, sha256 = write_index(self._folder.terrain, self._rasters, self._clouds, self.heights)
        return [output_record(self._folder.root, path, "index", sha256)]

    def item(
        self,
        name: str,
        outputs: Sequence[OutputRecord],
        site: SiteFacts,
        created: Sequence[date],
        started: datetime,
    ) -> list[OutputRecord]:
        """Write the catalogue item, if that is wanted; the name is that of the run's folder."""
        if not self._output.stac_item:
            return []
        made = Delivered(
            outputs,
            self._rasters,
            self._clouds,
            site,
            self.crs,
            self.heights,
            None if self._area is None else self._area.inner.polygon,
            created,
            started,
        )
        root = self._folder.root
        path = write_item(root, stac_item(name, made))
        return [output_record(root, path, "catalogue", sha256_of(path))]
