"""Scores of whole files: counts are planted, the order is shuffled, the truth stands in another column."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import laspy
import numpy as np
import pytest

from cloudprep.engine import score as score_module
from cloudprep.engine.score import Score, score_clouds
from cloudprep.errors import BadInputError, UsageError

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from numpy.typing import NDArray

# Planted: (ground kept, ground lost, object taken, object kept).
PLANTED = (500, 20, 30, 450)
COUNT = sum(PLANTED)


def labels() -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
    """Return class codes of the result and of the reference with the planted counts."""
    result = np.repeat([2, 5, 2, 6], PLANTED).astype(np.uint8)
    reference = np.repeat([2, 2, 5, 1], PLANTED).astype(np.uint8)
    return result, reference


def counts(score: Score) -> tuple[int, int, int, int]:
    return score.ground_kept, score.ground_lost, score.object_taken, score.object_kept


@pytest.fixture
def write(tmp_path: Path) -> Callable[..., Path]:
    def write(
        name: str,
        classes: NDArray[Any],
        *,
        order: NDArray[np.int64] | None = None,
        scale: float = 0.01,
        offset: float = 5_600_000.0,
        point_format: int = 6,
        places: NDArray[np.float64] | None = None,
        extra: dict[str, tuple[Any, NDArray[Any]]] | None = None,
        withheld: NDArray[np.bool_] | None = None,
    ) -> Path:
        if places is None:
            places = 5_600_000 + np.round(
                np.random.default_rng(1).permutation(3 * COUNT).reshape(-1, 3) / 100, 2
            )
        rows = np.arange(len(classes)) if order is None else order
        header = laspy.LasHeader(point_format=point_format, version="1.4" if point_format > 5 else "1.2")
        header.scales, header.offsets = np.full(3, scale), np.full(3, offset)
        for column, (options, _) in (extra or {}).items():
            header.add_extra_dim(laspy.ExtraBytesParams(column, **options))
        cloud = laspy.LasData(header)
        cloud.x, cloud.y, cloud.z = places[rows].T
        cloud.return_number = cloud.number_of_returns = np.ones(len(rows), np.uint8)
        cloud.classification = classes[rows]
        if withheld is not None:
            cloud.withheld = withheld[rows]
        for column, (_, values) in (extra or {}).items():
            cloud[column] = values[rows]
        path = tmp_path / name
        cloud.write(path)
        return path

    return write


def test_planted_counts_give_the_rates_by_definition(write: Callable[..., Path]) -> None:
    """Type I b/(a+b), Type II c/(c+d), total (b+c)/N (Sithole and Vosselman 2003); kappa by Cohen."""
    result, reference = labels()
    score = score_clouds(write("a.laz", result), write("b.laz", reference))
    a, b, c, d = PLANTED
    assert counts(score) == PLANTED
    assert (score.points, score.matched, score.left_out) == (COUNT, "same order", 0)
    assert score.type_1 == pytest.approx(b / (a + b))
    assert score.type_2 == pytest.approx(c / (c + d))
    assert score.total == pytest.approx((b + c) / COUNT)
    chance = ((a + b) * (a + c) + (c + d) * (b + d)) / COUNT**2
    assert score.kappa == pytest.approx(((a + d) / COUNT - chance) / (1 - chance))


@pytest.mark.parametrize("chunk", [7, 300, 10_000])
def test_the_size_of_chunks_plays_no_role(
    write: Callable[..., Path], monkeypatch: pytest.MonkeyPatch, chunk: int
) -> None:
    monkeypatch.setattr(score_module, "CHUNK", chunk)
    result, reference = labels()
    assert counts(score_clouds(write("a.laz", result), write("b.las", reference))) == PLANTED


def test_another_order_is_matched_by_coordinates_and_told(write: Callable[..., Path]) -> None:
    result, reference = labels()
    order = np.random.default_rng(4).permutation(COUNT)
    score = score_clouds(write("a.laz", result), write("b.laz", reference, order=order))
    assert (counts(score), score.matched) == (PLANTED, "by coordinates")
    assert any("matched by coordinates" in note for note in score.notes)


@pytest.mark.parametrize(
    ("scale", "offset"), [(0.001, 5_600_000.0), (0.01, 5_599_000.0), (0.0005, 5_600_123.25)]
)
@pytest.mark.parametrize("shuffled", [False, True])
def test_clouds_stored_in_other_steps_are_compared_too(
    write: Callable[..., Path], scale: float, offset: float, shuffled: bool
) -> None:
    result, reference = labels()
    order = np.random.default_rng(4).permutation(COUNT) if shuffled else None
    other = write("b.laz", reference, order=order, scale=scale, offset=offset)
    score = score_clouds(write("a.laz", result), other)
    assert counts(score) == PLANTED
    assert any("different steps" in note for note in score.notes)


def test_the_truth_may_stand_in_another_column_of_the_same_file(write: Callable[..., Path]) -> None:
    result, reference = labels()
    extra = {
        "quality": ({"type": np.float64}, np.zeros(COUNT)),
        "reference_class": ({"type": np.uint8}, reference),
        "doubled": ({"type": np.int16, "scales": np.array([0.5]), "offsets": np.array([1.0])}, reference),
    }
    path = write("a.laz", result, extra=extra)
    assert counts(score_clouds(path, path, "reference_class")) == PLANTED
    assert counts(score_clouds(path, path, "doubled")) == PLANTED
    with pytest.raises(
        UsageError, match="no extra column is called 'reference_clas'; did you mean 'reference_class'"
    ):
        score_clouds(path, path, "reference_clas")


def test_a_flight_without_extra_columns_says_so(write: Callable[..., Path]) -> None:
    path = write("a.laz", labels()[0])
    with pytest.raises(UsageError, match="carries no extra columns, so none is called 'truth'"):
        score_clouds(path, path, "truth")


def test_withheld_ground_counts_as_not_ground_and_is_told(write: Callable[..., Path]) -> None:
    result, reference = labels()
    withheld = np.zeros(COUNT, bool)
    withheld[:10] = True  # ground in both
    withheld[600:700] = True  # no ground at all
    score = score_clouds(write("a.laz", result, withheld=withheld), write("b.laz", reference))
    assert counts(score) == (490, 30, 30, 450)
    assert any(
        "a.laz: 10 ground points are withheld; they count as not ground" in note for note in score.notes
    )


def test_noise_counts_as_not_ground(write: Callable[..., Path]) -> None:
    result, reference = labels()
    result[result == 6] = 7
    reference[reference == 1] = 18
    assert counts(score_clouds(write("a.laz", result), write("b.laz", reference))) == PLANTED


def test_an_old_point_format_scores_like_a_new_one(write: Callable[..., Path]) -> None:
    result, reference = labels()
    assert counts(score_clouds(write("a.las", result, point_format=1), write("b.laz", reference))) == PLANTED


def test_points_of_one_place_that_cannot_be_paired_are_left_out_and_told(write: Callable[..., Path]) -> None:
    places = np.array([[0, 0, 0], [0, 0, 0], [1, 1, 1], [2, 2, 2], [3, 3, 3]]) + 5_600_000.0
    result, reference = np.array([2, 1, 2, 1, 2]), np.array([2, 1, 2, 1, 1])
    order = np.array([4, 1, 0, 3, 2])
    score = score_clouds(
        write("a.laz", result, places=places), write("b.laz", reference, places=places, order=order)
    )
    assert (counts(score), score.left_out) == ((1, 0, 1, 1), 2)
    assert any("2 points share their place" in note for note in score.notes)


def test_other_points_are_refused_with_how_many(write: Callable[..., Path]) -> None:
    result, reference = labels()
    fewer = write("b.laz", reference, order=np.arange(10, COUNT))
    with pytest.raises(
        UsageError, match=r"10 of 1,000 in .*a\.laz are not in .*b\.laz, and 0 of 990 the other way"
    ):
        score_clouds(write("a.laz", result), fewer)


def test_a_reference_without_ground_is_refused_with_a_hint(write: Callable[..., Path]) -> None:
    result, reference = labels()
    bare = write("b.laz", np.zeros(COUNT, np.uint8))
    with pytest.raises(UsageError, match=r"b\.laz: the reference has no ground \(2\) in its classification$"):
        score_clouds(write("a.laz", result), bare)
    hidden = write("c.laz", np.zeros(COUNT), extra={"reference_class": ({"type": np.uint8}, reference)})
    with pytest.raises(UsageError, match=r"\(--reference-column\)\? It carries: reference_class"):
        score_clouds(hidden, hidden)


def test_all_ground_has_no_type_2_error(write: Callable[..., Path]) -> None:
    path = write("a.laz", np.full(COUNT, 2))
    score = score_clouds(path, path)
    assert (score.type_1, score.type_2, score.total, score.kappa) == (0.0, None, 0.0, None)
    assert score.as_dict()["type_2"] is None


def test_an_empty_and_a_bad_file_are_named(write: Callable[..., Path], tmp_path: Path) -> None:
    good = write("a.laz", labels()[0])
    with pytest.raises(BadInputError, match=r"none\.laz: holds no points at all"):
        score_clouds(write("none.laz", np.zeros(0, np.uint8), places=np.zeros((0, 3))), good)
    with pytest.raises(BadInputError, match=r"gone\.laz"):
        score_clouds(good, tmp_path / "gone.laz")
