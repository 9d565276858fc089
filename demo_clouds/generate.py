"""Make the site's files: two laser flights, a photogrammetric twin, and the truth of every point."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from . import lidar, objects, place, plants, twin
from .cloud import write_flight, write_truth
from .dice import Dice
from .truth import truth_of

SEED = 2024


def generate_site(folder: Path, seed: int = SEED) -> list[Path]:
    """Write the site's files.

    Parameters
    ----------
    folder : Path
        Where to; it is made if needed. Files of the same names are replaced.
    seed : int
        The same seed gives the same files.

    Returns
    -------
    list of Path
        The flights, then their truth files in the same order.

    Raises
    ------
    OSError
        If a file can't be written.
    """
    works = objects.build()
    grown = plants.grow(Dice(seed, "plants"), objects.power_line())
    clouds = {
        folder / "flights" / f"{name}.laz": lidar.capture(name, works, grown, seed) for name in lidar.FLIGHTS
    }
    clouds[folder / "twin" / "twin.laz"] = twin.capture(works, grown, seed)
    for path, cloud in clouds.items():
        for target in (path, truth_of(path)):
            target.parent.mkdir(parents=True, exist_ok=True)
        write_flight(cloud, path)
        write_truth(cloud, truth_of(path))
    return [*clouds, *(truth_of(path) for path in clouds)]


def main(arguments: list[str] | None = None) -> None:
    """Make the site in a folder given on the command line and list its files."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument(
        "folder", nargs="?", type=Path, default=place.FOLDER, help="where to (default: %(default)s)"
    )
    parser.add_argument("--seed", type=int, default=SEED, help="default: %(default)s")
    chosen = parser.parse_args(arguments)
    for path in generate_site(chosen.folder, chosen.seed):
        sys.stdout.write(f"{path}\n")


if __name__ == "__main__":
    main()
