"""Pictures of the report, read back by a general library."""

import io

import numpy as np
import pytest
from PIL import Image

from cloudprep.reporting.png import palette_png


@pytest.mark.parametrize("colours", [2, 3, 4, 16, 17, 111, 256])
@pytest.mark.parametrize("shape", [(1, 1), (3, 5), (64, 31)])
def test_every_pixel_has_its_colour_and_south_is_below(colours, shape):
    rng = np.random.default_rng(colours)
    palette = rng.integers(0, 256, (colours, 3)).astype(np.uint8)
    indices = rng.integers(0, colours, shape).astype(np.uint8)
    picture = Image.open(io.BytesIO(palette_png(indices, palette)))
    seen = np.asarray(picture.convert("RGBA"))[::-1]
    np.testing.assert_array_equal(seen[..., :3], palette[indices])
    np.testing.assert_array_equal(seen[..., 3] == 0, indices == 0)
