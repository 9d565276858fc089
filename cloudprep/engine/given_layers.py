"""Vector files that stages name: read before any work, judged whole, and put onto the stages."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from cloudprep.engine.record import GivenRecord
from cloudprep.errors import BadInputError, CrsError, UsageError
from cloudprep.stages.base import layer_parameters

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from pathlib import Path

    from cloudprep.model.bounds import Bounds
    from cloudprep.model.crs import CloudCrs
    from cloudprep.model.layer import Layer
    from cloudprep.stages.base import Stage


@dataclass(frozen=True)
class GivenLayers:
    """What people gave to the stages of a run.

    Parameters
    ----------
    layers : mapping of (int, str) to Layer
        By the stage's number and the parameter's name; global metres.
    records : tuple of GivenRecord
        For the run record.
    warnings : tuple of str
        Lines for people: layers that don't touch the site. That is no error, because one file may serve the
        sites of a whole country; but it is what a wrong reference system looks like too.
    """

    layers: Mapping[tuple[int, str], Layer] = field(default_factory=dict)
    records: tuple[GivenRecord, ...] = ()
    warnings: tuple[str, ...] = ()

    @classmethod
    def read(
        cls,
        stages: Sequence[Stage],
        folder: Path,
        crs: CloudCrs,
        bounds: Bounds,
        note: Callable[[str], None],
    ) -> GivenLayers:
        """Read every file that a stage names; the same file and layer only once.

        Parameters
        ----------
        stages : sequence of Stage
            Of the whole run, in order.
        folder : Path
            Where relative paths start.
        crs : CloudCrs
            Of the site, with its units.
        bounds : Bounds
            Of the site, global metres.
        note : callable
            Told what was assumed.

        Raises
        ------
        UsageError
            If a file can't be used, with the stage and the parameter that name it.
        """
        layers: dict[tuple[int, str], Layer] = {}
        records: list[GivenRecord] = []
        warnings: list[str] = []
        known: dict[tuple[Path, str | None, tuple[str, ...]], tuple[Layer, str]] = {}
        for number, stage in enumerate(stages):
            for name, kinds in layer_parameters(stage.Params).items():
                text = getattr(stage.params, name)
                if text is None:
                    continue
                # Here and not above: without a vector file nobody needs the libraries.
                from cloudprep.io.vectors import read_layer, vector_checksum, vector_files  # noqa: PLC0415

                path, wanted = file_and_layer(text, folder)
                key = path, wanted, tuple(kinds)
                try:
                    if key not in known:
                        found = read_layer(path, wanted, crs, (0.0, 0.0), kinds=kinds, note=note)
                        known[key] = found, vector_checksum(path)
                except (BadInputError, CrsError) as error:
                    raise UsageError(f"{stage.name}: '{name}': {error}") from error
                layer, digest = known[key]
                layers[number, name] = layer
                apart = _apart(layer, bounds)
                records.append(
                    GivenRecord(
                        stage=stage.name,
                        parameter=name,
                        path=str(path.resolve()),
                        layer=layer.name,
                        size_bytes=sum(p.stat().st_size for p in vector_files(path)),
                        sha256=digest,
                        features=len(layer),
                        features_on_site=int(np.count_nonzero(apart == 0)),
                    )
                )
                if len(layer) == 0:
                    warnings.append(f"{stage.name}: '{name}': {path} has no features")
                elif apart.min() > 0:
                    far = f"the nearest of {len(layer)} lies {apart.min() / 1000:,.1f} km away"
                    warnings.append(
                        f"{stage.name}: '{name}': no feature of {path} touches the site ({far}): is its "
                        "reference system right?"
                    )
        return cls(layers, tuple(records), tuple(warnings))

    def given_to(self, number: int, origin: tuple[float, float]) -> dict[str, Layer]:
        """Return the layers of a stage in the site's local metres.

        Parameters
        ----------
        number : int
            Which of the stages.
        origin : tuple of float
            Global easting and northing of the local zero, m.
        """
        return {name: _moved(layer, origin) for (i, name), layer in self.layers.items() if i == number}


def file_and_layer(text: str, folder: Path) -> tuple[Path, str | None]:
    """Return the file and the layer that a parameter names.

    >>> from pathlib import Path
    >>> file_and_layer("water.gpkg#ponds", Path("/data"))
    (PosixPath('/data/water.gpkg'), 'ponds')
    >>> file_and_layer("/maps/water.gpkg", Path("/data"))
    (PosixPath('/maps/water.gpkg'), None)
    """
    whole = folder / text
    if "#" not in text or whole.exists():
        return whole, None
    name, _, layer = text.rpartition("#")
    return folder / name, layer or None


def _apart(layer: Layer, bounds: Bounds) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """Return how far each feature lies from the site, m."""
    import shapely  # noqa: PLC0415

    site = shapely.box(bounds.x0, bounds.y0, bounds.x1, bounds.y1)
    found: np.ndarray[tuple[int], np.dtype[np.float64]] = shapely.distance(layer.geometries, site)
    return found


def _moved(layer: Layer, origin: tuple[float, float]) -> Layer:
    import shapely  # noqa: PLC0415

    if len(layer) == 0:
        return layer
    high = bool(shapely.has_z(layer.geometries).any())
    shift = np.array([*origin, 0.0] if high else origin)
    return replace(
        layer,
        geometries=shapely.transform(layer.geometries, lambda c: c - shift[: c.shape[1]], include_z=high),
    )
