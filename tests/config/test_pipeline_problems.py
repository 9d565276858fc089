"""Every problem of a pipeline file is told at once, with file, line, owner, unit and what was given."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from cloudprep.config import Pipeline, load_pipeline
from cloudprep.errors import EXIT_USAGE, ConfigError
from cloudprep.model.figures import Figure

if TYPE_CHECKING:
    from collections.abc import Callable
    from types import ModuleType

    Problems = Callable[[str | bytes], list[str]]

HEAD = "cloudprep: 1\nstages:\n  - stage: floor_finder\n  - stage: rock_finder\n"


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ("cell: -1", "'cell' must be > 0 m, got -1"),
        ("cell: 0", "'cell' must be > 0 m, got 0"),
        ("cell: 12:30", "'cell' must be a number > 0 m, got the text '12:30'"),
        ("cell: true", "'cell' must be a number > 0 m, got true"),
        ("cell: '5'", "'cell' must be a number > 0 m, got the text '5' (take the quotes off)"),
        (
            "cell: 1,5",
            "'cell' must be a number > 0 m, got the text '1,5' (write a decimal point, not a comma)",
        ),
        ("cell: 5 m", "got the text '5 m' (write the number alone; its unit is m)"),
        ("cell: 1_000", "got the text '1_000' (write the digits without separators)"),
        ("cell:", "'cell' must be a number > 0 m, got nothing"),
        ("cell: [1]", "'cell' must be a number > 0 m, got a list"),
        ("cell: {a: 1}", "'cell' must be a number > 0 m, got a mapping"),
        ("cell: .inf", "'cell' must be a finite number, got inf"),
        ("cell: .nan", "'cell' must be a finite number, got nan"),
        ("cell: 1e999", "'cell' must be a finite number, got inf"),
        ("spacing: -2", "'spacing' must be > 0 m, got -2"),
        ("spacing: fine", "'spacing' must be a number > 0 m, got the text 'fine'"),
        ("slope: 90", "'slope' must be > 0 and < 90 degrees, got 90"),
        ("neighbours: 2.5", "'neighbours' must be a whole number from 1 to 500 points, got 2.5"),
        ("neighbours: 0", "'neighbours' must be from 1 to 500 points, got 0"),
        ("neighbours: false", "'neighbours' must be a whole number from 1 to 500 points, got false"),
        ("robust: no", "'robust' must be true or false, got the text 'no'"),
        ("robust: 1", "'robust' must be true or false, got 1"),
        (
            "growth: lineer",
            "'growth' must be linear or geometric, got the text 'lineer'; did you mean 'linear'?",
        ),
        ("keep_classes: [2, 256]", "'keep_classes[1]' must be from 0 to 255, got 256"),
        ("keep_classes: [2, x]", "'keep_classes[1]' must be a whole number from 0 to 255, got the text 'x'"),
        ("keep_classes: 2", "'keep_classes' must be a list of whole numbers from 0 to 255, got 2"),
        ("label: 5", "'label' must be text, got 5"),
        ("weight: equl", "'weight' must be a number or equal, got the text 'equl'; did you mean 'equal'?"),
        ("cel: 1", "there is no parameter 'cel'; did you mean 'cell'?"),
        ("params: {}", "there is no parameter 'params' (there are: cell, growth, "),
        ("cell: 50", "'slope' must not be smaller than 'cell'"),
        ("cell: !!python/none", "the tag '!!python/none' can't be used"),
    ],
)
def test_a_bad_parameter_is_named_with_line_stage_and_unit(problems: Problems, line: str, told: str) -> None:
    (only,) = problems(f"{HEAD}    {line}\n")
    # A rule between parameters belongs to the stage, whose line is the one before.
    number = 4 if line == "cell: 50" else 5
    assert only.startswith(f"site.yaml:{number}: stages[1] rock_finder: ")
    assert told in only


@pytest.mark.parametrize(
    ("content", "told"),
    [
        ("stages: [{stage: floor_finder}]", "site.yaml:1: 'cloudprep: 1' is missing"),
        ("cloudprep: 2\nstages: [{stage: floor_finder}]", "site.yaml:1: 'cloudprep' must be 1, "),
        ("cloudprep: true\nstages: [{stage: floor_finder}]", "got true"),
        ("cloudprep: '1'\nstages: [{stage: floor_finder}]", "got the text '1'"),
        ("cloudprep:\nstages: [{stage: floor_finder}]", "got nothing"),
        ("cloudprep: 1", "site.yaml:1: the pipeline has no stages"),
        ("cloudprep: 1\nstages:", "site.yaml:2: the pipeline has no stages"),
        ("cloudprep: 1\nstages: []", "site.yaml:2: the pipeline has no stages"),
        (
            "cloudprep: 1\nstages: floor_finder",
            "site.yaml:2: 'stages' must be a list of entries like '- stage:",
        ),
        ("cloudprep: 1\nstages: {stage: floor_finder}", "'stages' must be a list"),
        (
            "cloudprep: 1\nstages:\n- floor_finder",
            "site.yaml:3: stages[0]: must be a mapping; write '- stage: floor_",
        ),
        ("cloudprep: 1\nstages:\n-", "site.yaml:3: stages[0]: must be a mapping"),
        ("cloudprep: 1\nstages:\n- cell: 5", "site.yaml:3: stages[0]: 'stage' is missing"),
        (
            "cloudprep: 1\nstages:\n- stage: 7",
            "site.yaml:3: stages[0]: 'stage' must be the name of a stage, got 7",
        ),
        (
            "cloudprep: 1\nstages:\n- stage: flor_finder",
            "stages[0] flor_finder: no stage is called 'flor_finder'; did you mean 'floor_finder'?",
        ),
        ("cloudprep: 1\nstages:\n- stage: broken_stage", "can't be loaded from no_such_module:Broken"),
        (
            "cloudprep: 1\nstage:\n- stage: floor_finder",
            "site.yaml:2: there is no key 'stage'; did you mean 'stages'?",
        ),
        ("- cloudprep: 1", "site.yaml:1: a pipeline is a mapping that starts with 'cloudprep: 1'"),
        ("just words", "a pipeline is a mapping"),
        ("", "site.yaml:1: the file is empty"),
        ("---", "a pipeline is a mapping"),
        (f"{HEAD}output: 5", "site.yaml:5: output: must be a mapping, got 5"),
        (f"{HEAD}output: {{format: las2}}", "output: 'format' must be laz or las, got the text 'las2'"),
        (
            f"{HEAD}output: {{drop_noise: yes}}",
            "output: 'drop_noise' must be true or false, got the text 'yes'",
        ),
        (f"{HEAD}output: {{las_version: 1.3}}", "output: 'las_version' must be keep or 1.4, got 1.3"),
        (f"{HEAD}output: {{drop: true}}", "output: there is no key 'drop'"),
        (f"{HEAD}assume: {{crs: 25832}}", "assume: 'crs' must be like EPSG:25832, or EPSG:25832+7837"),
        (f"{HEAD}assume: {{crs: UTM 32}}", "assume: 'crs' must be like EPSG:25832"),
        (
            f"{HEAD}assume: {{units: feet}}",
            "assume: 'units' must be metre, foot or us_survey_foot, got the text 'feet'",
        ),
        (f"{HEAD}gates: 3", "'gates' must be a list of entries like '- figure: ground.share'"),
        (f"{HEAD}gates: [5]", "gates[0]: must be a mapping"),
        (f"{HEAD}gates: [{{at_least: 1}}]", "gates[0]: 'figure' is missing"),
        (f"{HEAD}gates: [{{figure: a.b}}]", "gates[0] a.b: a gate needs 'at_least' or 'at_most'"),
        (f"{HEAD}gates: [{{figure: a, at_least: 2, at_most: 1}}]", "'at_least' 2 is larger than 'at_most' 1"),
        (
            f"{HEAD}gates: [{{figure: a, at_least: true}}]",
            "gates[0] a: 'at_least' must be a number, got true",
        ),
        (f"{HEAD}gates: [{{figure: a, at_least: .nan}}]", "gates[0] a: 'at_least' must be a finite number"),
        (f"{HEAD}gates: [{{figure: a, at_most: .inf}}]", "gates[0] a: 'at_most' must be a finite number"),
        (f"{HEAD}gates: [{{figure: a, between: 3}}]", "'between' must be a list of two numbers, the lower"),
        (f"{HEAD}gates: [{{figure: a, between: [3]}}]", "'between' must be a list of two numbers, the lower"),
        (f"{HEAD}gates: [{{figure: a, between: [3, 2]}}]", "'between' starts with 3, which is larger than 2"),
        (
            f"{HEAD}gates: [{{figure: a, between: [true, 2]}}]",
            "gates[0] a: 'between[0]' must be a number, got true",
        ),
        (f"{HEAD}gates: [{{figure: a, between: [1, .nan]}}]", "'between[1]' must be a finite number"),
        (
            f"{HEAD}gates: [{{figure: a, between: [1, 2], at_most: 3}}]",
            "a gate has either 'between', or 'at_least' and 'at_most', not both",
        ),
        (
            f"{HEAD}gates: [{{figure: a, at_most: 3, severity: warning}}]",
            "'severity' must be fail or warn, got the text 'warning'; did you mean 'warn'?",
        ),
        (
            f"{HEAD}gates: [{{figure: a, at_most: 3, per: flights}}]",
            "'per' must be flight or run, got the text 'flights'; did you mean 'flight'?",
        ),
        (f"{HEAD}gates: [{{figure: a, at_mots: 3}}]", "there is no key 'at_mots'; did you mean 'at_most'?"),
        (
            f'{HEAD}gates: [{{figure: a, at_most: 3, why: "a\\e[31m"}}]',
            "'why' must be one line without control characters",
        ),
        (f"{HEAD}gates: [{{figure: '', at_most: 3}}]", "'figure'"),
    ],
)
def test_a_bad_file_is_told_in_plain_words(problems: Problems, content: str, told: str) -> None:
    assert any(told in problem for problem in problems(content)), problems(content)


@pytest.mark.parametrize(
    ("gate", "told"),
    [
        (
            "{figure: floor.shares, at_least: 1}",
            "no stage of this pipeline gives the figure 'floor.shares'; did you mean 'floor.share'?",
        ),
        (
            "{figure: unheard, at_least: 1}",
            "no stage of this pipeline gives the figure 'unheard' (there are: ",
        ),
        (
            "{figure: floor.worst, at_most: 1, per: flight}",
            "'floor.worst' is a figure of the run as a whole: 'per: flight' can't be judged",
        ),
        (
            "{figure: floor.seen, at_least: 1}",
            "'floor.seen' is a figure of single flights: write 'per: flight'",
        ),
        ("{figure: seconds, at_most: 60, per: flight}", "'seconds' is a figure of the run as a whole"),
    ],
)
def test_a_gate_on_a_figure_that_nothing_gives_is_refused_with_its_line(
    problems: Problems, fake_stages: ModuleType, monkeypatch: pytest.MonkeyPatch, gate: str, told: str
) -> None:
    told_figures = (
        Figure("floor.share", "", "floor", per_flight=True),
        Figure("floor.worst", "m", "worst of all"),
        Figure("floor.seen", "", "seen", per_flight=True, per_run=False),
    )
    monkeypatch.setattr(fake_stages.FloorFinder, "reports", told_figures)
    good = "cloudprep: 1\nstages:\n- stage: floor_finder\ngates:\n- {figure: floor.share, at_least: 1}\n"
    (found,) = problems(f"{good}- {gate}\n")
    assert found.startswith("site.yaml:6: gates[1] ")
    assert told in found


def test_a_figure_may_come_from_a_stage_that_declares_none(
    load: Callable[[str], Pipeline], fake_stages: ModuleType, monkeypatch: pytest.MonkeyPatch
) -> None:
    text = "cloudprep: 1\nstages: [{stage: floor_finder}]\ngates: [{figure: unheard, at_least: 1}]\n"
    assert load(text).gates[0].figure == "unheard"
    monkeypatch.setattr(fake_stages.FloorFinder, "reports", ())
    with pytest.raises(ConfigError, match="no stage of this pipeline gives the figure 'unheard'"):
        load(text)


def test_all_problems_come_at_once_in_the_order_of_lines(problems: Problems) -> None:
    found = problems(
        "cloudprep: 3\n"
        "stages:\n"
        "  - stage: rok_finder\n"
        "  - stage: rock_finder\n"
        "    cell: -1\n"
        "    slope: 1e-3\n"
        "    slope: 5\n"
        "    robust: on\n"
        "gates:\n"
        "  - figure: ground.share\n"
        "outputs: {}\n"
    )
    assert [p.split(": ")[0] for p in found] == [f"site.yaml:{n}" for n in (1, 3, 5, 7, 8, 10, 11)]


def test_the_same_raster_made_twice_is_refused(problems: Problems) -> None:
    found = problems(
        "cloudprep: 1\nstages:\n- stage: floor_finder\n- stage: floor_grid\n- stage: floor_grid\n"
    )
    assert found == [
        "site.yaml:5: stages[2] floor_grid: makes the raster 'floor', which stages[1] makes already",
        "site.yaml:5: stages[2] floor_grid: makes the raster 'floor_kinds', which stages[1] makes already",
    ]


def test_a_raster_before_any_ground_stage_is_only_warned_about(load: Callable[[str], Pipeline]) -> None:
    text = "cloudprep: 1\nstages:\n- stage: floor_grid\n- stage: floor_finder\n"
    (warning,) = load(text).warnings
    assert "site.yaml:3: stages[0] floor_grid: comes before any ground stage" in warning
    assert load("cloudprep: 1\nstages:\n- stage: floor_finder\n- stage: floor_grid\n").warnings == ()


def test_a_missing_file_a_folder_and_an_unknown_name_are_told(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match=r"gone\.yaml: no such file$"):
        load_pipeline(tmp_path / "gone.yaml")
    with pytest.raises(
        ConfigError, match=r"bare_earth\.yaml: no such file; the ready pipeline is called 'bare_earth'"
    ):
        load_pipeline(str(tmp_path / "bare_earth.yaml"))
    with pytest.raises(ConfigError, match="is a folder, not a pipeline file"):
        load_pipeline(tmp_path)
    with pytest.raises(
        ConfigError, match="no ready pipeline or file is called 'bare_erth'; did you mean 'bare_earth'"
    ):
        load_pipeline("bare_erth")
    assert ConfigError.exit_code == EXIT_USAGE


def test_an_unreadable_file_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "site.yaml"
    path.write_text("cloudprep: 1\n")

    def refuse(self: Path) -> bytes:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "read_bytes", refuse)
    with pytest.raises(ConfigError, match=r"site\.yaml: can't be read: Permission denied"):
        load_pipeline(path)


def test_values_in_memory_are_checked_like_a_file(fake_stages: ModuleType) -> None:
    with pytest.raises(ConfigError) as caught:
        Pipeline.from_dict({"cloudprep": 1, "stages": [{"stage": "rock_finder", "cell": 0}]})
    assert caught.value.problems == ("pipeline: stages[0] rock_finder: 'cell' must be > 0 m, got 0",)


def test_long_texts_and_very_many_problems_are_cut(problems: Problems) -> None:
    (only,) = problems(f"{HEAD}    label: !{'x' * 5000} a\n")
    assert len(only) < 250
    (only,) = problems(f"{HEAD}    {'x' * 120}: a\n")
    assert len(only) < 350
    found = problems("".join(f"wrong{i}: 1\n" for i in range(1000)))
    assert len(found) == 201
    assert found[-1] == "site.yaml: and 802 more problems"


def test_an_optional_gate_needs_a_figure_that_some_stage_declares() -> None:
    """One on a name that nobody gives would never be judged, and nobody would notice."""
    values = {"cloudprep": 1, "stages": [{"stage": "report_voids", "of": "first_returns"}]}
    gate = {"figure": "overlaps.ofset", "at_most": 1}
    for one in (gate, {**gate, "optional": True}):
        with pytest.raises(
            ConfigError, match=r"no stage of this pipeline gives the figure 'overlaps\.ofset'"
        ):
            Pipeline.from_dict({**values, "gates": [one]})
    stages = [*values["stages"], {"stage": "flight_overlaps"}]
    with pytest.raises(ConfigError, match=r"did you mean 'overlaps\.offset'"):
        Pipeline.from_dict({**values, "stages": stages, "gates": [{**gate, "optional": True}]})
    Pipeline.from_dict({**values, "stages": stages, "gates": [{**gate, "figure": "overlaps.offset"}]})
