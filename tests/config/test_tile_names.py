"""Names of tiles: safe, and each once."""

import itertools

import pytest

from cloudprep.config import Pipeline
from cloudprep.config.tile_names import check_tile_name, tile_name
from cloudprep.errors import ConfigError

GOOD = [
    "{product}_{east}_{north}",
    "{east:07}-{north:07}_{product}",
    "site.7_{column}x{row}_{product}",
    "{product}-{east}-{north}",
]


@pytest.mark.parametrize("pattern", GOOD)
def test_a_good_pattern_makes_each_name_once(pattern):
    check_tile_name(pattern)
    numbers = [-1100.0, -110.0, -11.0, -1.0, 0.0, 1.0, 11.0, 110.0, 1.5, 11.5]
    made = {
        tile_name(pattern, product, (east, north), (int(east), int(north))): (product, east, north)
        for product in ("dtm", "dtm_1", "dtm_11", "d")
        for east, north in itertools.product([n for n in numbers if n == int(n)], repeat=2)
    }
    assert len(made) == 4 * 8 * 8
    assert not any(set(name) & set('/\\:*?"<>|') for name in made)


@pytest.mark.parametrize(
    ("pattern", "words"),
    [
        ("../{product}_{east}_{north}", "no folders"),
        ("/home/{product}_{east}_{north}", "no folders"),
        ("a\\{product}_{east}_{north}", "no folders"),
        ("C:{product}_{east}_{north}", "no folders"),
        ("{product}_{east}_{north}\0", "no folders"),
        ("{product}_{east}_{north}\n", "no folders"),
        ("{product.__class__}_{east}_{north}", "knows the fields"),
        ("{product!r}_{east}_{north}", "knows the fields"),
        ("{0}_{east}_{north}", "knows the fields"),
        ("{product}_{east:>99999999}_{north}", "filled up|fill numbers up"),
        ("{product}_{east:{north}}_{north}", "fill numbers up"),
        ("{product}_{east}", "needs {north} or {row}"),
        ("{east}_{north}", "needs {product}"),
        ("{product}_{east}{north}", "two tiles share a name"),
        ("{product}_{east}.{north}", "two tiles share a name"),
        ("{product}{east}_{north}", "two tiles share a name"),
        ("{product}_{east}_{north}_{east}", "a field twice"),
        (".{product}_{east}_{north}", "begin or end with a dot"),
        ("{product}_{east}_{north", "braces"),
        ("x" * 200 + "{product}_{east}_{north}", "letters at most"),
    ],
)
def test_a_bad_pattern_is_refused_in_words(pattern, words):
    with pytest.raises(ValueError, match=words):
        check_tile_name(pattern)


def test_the_pipeline_refuses_it_at_its_place():
    stages = [{"stage": "terrain_grid"}]
    with pytest.raises(ConfigError, match=r"output: 'tiles.name' may hold letters"):
        Pipeline.from_dict(
            {"cloudprep": 1, "stages": stages, "output": {"tiles": {"size": 100, "name": "../{product}"}}}
        )
    with pytest.raises(ConfigError, match=r"'tiles.size' must be > 0"):
        Pipeline.from_dict({"cloudprep": 1, "stages": stages, "output": {"tiles": {"size": 0}}})


@pytest.mark.parametrize(
    ("nodata", "words"),
    [(0, "<= -2000"), (-9999.1, "four bytes"), (-1e300, "four bytes"), (float("nan"), "finite")],
)
def test_a_nodata_value_that_could_be_a_height_or_gets_rounded_is_refused(nodata, words):
    with pytest.raises(ConfigError, match=words):
        Pipeline.from_dict(
            {"cloudprep": 1, "stages": [{"stage": "terrain_grid"}], "output": {"raster_nodata": nodata}}
        )


def test_common_nodata_values_and_tiles_are_taken():
    for nodata in (-9999, -999999, -32768, -3.4028234663852886e38):
        given = {"raster_nodata": nodata, "tiles": {"size": 1000, "origin": [500, 0]}}
        pipeline = Pipeline.from_dict(
            {"cloudprep": 1, "stages": [{"stage": "terrain_grid"}], "output": given}
        )
        assert pipeline.output.raster_nodata == nodata
        assert pipeline.output.tiles.origin == (500, 0)
        assert Pipeline.from_dict(pipeline.as_dict()) == pipeline
