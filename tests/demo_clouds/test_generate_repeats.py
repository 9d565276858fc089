"""The committed files come from the generator, and depend on the seed alone."""

from __future__ import annotations

import ast
from pathlib import Path

import laspy
import numpy as np
import pytest

from demo_clouds import generate, place
from demo_clouds.dice import STREAMS, Dice

HEADER_FIELDS = (
    "version",
    "creation_date",
    "generating_software",
    "system_identifier",
    "file_source_id",
    "point_count",
    "number_of_evlrs",
)


def test_the_committed_files_come_from_the_generator(tmp_path):
    # Records and header fields are compared, not compressed bytes: another encoder may pack them otherwise.
    made = generate.generate_site(tmp_path / "new" / "site")
    names = {path.relative_to(tmp_path / "new" / "site") for path in made}
    assert names == {path.relative_to(place.FOLDER) for path in place.FOLDER.rglob("*") if path.is_file()}
    for name in sorted(names):
        new, old = laspy.read(tmp_path / "new" / "site" / name), laspy.read(place.FOLDER / name)
        for field in HEADER_FIELDS:
            assert getattr(new.header, field) == getattr(old.header, field), (name, field)
        for field in ("scales", "offsets", "mins", "maxs", "number_of_points_by_return"):
            np.testing.assert_array_equal(getattr(new.header, field), getattr(old.header, field))
        assert new.point_format == old.point_format
        assert [vlr.record_data_bytes() for vlr in new.vlrs] == [vlr.record_data_bytes() for vlr in old.vlrs]
        assert new.points.array.dtype == old.points.array.dtype
        assert new.points.array.tobytes() == old.points.array.tobytes(), name


def test_the_site_stays_small():
    sizes = [path.stat().st_size for path in place.FOLDER.rglob("*.laz")]
    assert len(sizes) == 6
    assert sum(sizes) < 8.0e6


def test_dice_repeat_themselves_and_differ_by_seed_and_stream():
    draws = {
        (seed, stream): Dice(seed, stream).uniform(0, 1, 20).tobytes()
        for seed in (1, 2)
        for stream in STREAMS
    }
    assert len(set(draws.values())) == len(draws)
    assert Dice(2, "air").uniform(0, 1, 20).tobytes() == draws[2, "air"]


def test_dice_use_only_the_stream_that_numpy_promises_to_keep():
    # NEP 19: bit generators are stable for ever, the distributions of Generator are not.
    source = np.random.PCG64(np.random.SeedSequence([7, STREAMS.index("twin")]))
    expected = (source.random_raw(50) >> np.uint64(11)) * 2.0**-53
    np.testing.assert_array_equal(Dice(7, "twin").uniform(0.0, 1.0, 50), expected)


def test_dice_follow_the_distributions_they_are_named_after():
    # Standard errors: sigma / sqrt(n) of the mean, sigma / sqrt(2n) of the deviation; five of them.
    count = 40_000
    normal = Dice(3, "air").normal(2.0, count)
    assert abs(normal.mean()) < 5 * 2.0 / np.sqrt(count)
    assert normal.std() == pytest.approx(2.0, abs=5 * 2.0 / np.sqrt(2 * count))
    assert (np.abs(normal) < 2.0).mean() == pytest.approx(0.6827, abs=0.012)
    waits = Dice(3, "twin").exponential(1.5, count)
    assert waits.mean() == pytest.approx(1.5, abs=5 * 1.5 / np.sqrt(count))
    assert (waits > 1.5).mean() == pytest.approx(np.exp(-1.0), abs=0.012)


def test_picks_are_different_candidates_in_order():
    picked = Dice(4, "air").pick(np.arange(100, 200), 30)
    assert picked.size == 30
    assert (np.diff(picked) > 0).all()
    assert set(picked) <= set(range(100, 200))
    assert Dice(4, "air").pick(np.arange(5), 30).tolist() == [0, 1, 2, 3, 4]


def test_the_command_lists_what_it_would_write(capsys):
    with pytest.raises(SystemExit) as stop:
        generate.main(["--help"])
    assert stop.value.code == 0
    assert str(generate.SEED) in capsys.readouterr().out


def test_the_generator_stands_on_its_own():
    # It is shipped inside the package too, under another name: only relative imports work in both places.
    for path in Path(generate.__file__).parent.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Import):
                names = [alias.name for alias in node.names]
            elif isinstance(node, ast.ImportFrom) and node.level == 0:
                names = [node.module or ""]
            else:
                continue
            for name in names:
                assert name.split(".")[0] not in {"cloudprep", "demo_clouds", "scipy", "numba"}, path
