"""From what was typed to the pipeline file: a path, or the bare name of a ready pipeline."""

from __future__ import annotations

from pathlib import Path

from cloudprep.errors import ConfigError
from cloudprep.stages.registry import did_you_mean

__all__ = ["find_pipeline", "ready_pipelines"]

_ENDINGS = (".yaml", ".yml")


def ready_pipelines() -> dict[str, Path]:
    """Return the ready pipelines by name: those of the installed package, else those of the checkout."""
    package = Path(__file__).resolve().parent.parent
    for folder in (package / "pipelines", package.parent / "pipelines"):
        found = {p.stem: p for p in sorted(folder.glob("*.yaml"))}
        if found:
            return found
    return {}


def find_pipeline(path_or_name: str | Path) -> Path:
    """Return the file that a path or a bare name stands for.

    Parameters
    ----------
    path_or_name : str or Path
        A path, or a name without folder and ending. A file of just that name in the current folder does not
        hide a ready pipeline: write ``./name`` for the file.

    Raises
    ------
    ConfigError
        If there is no such file or ready pipeline, with a suggestion.
    """
    ready = ready_pipelines()
    text = str(path_or_name)
    path = Path(text)
    bare = isinstance(path_or_name, str) and path.name == text and path.suffix.lower() not in _ENDINGS
    if bare and text in ready:
        return ready[text]
    if path.is_dir():
        raise ConfigError([f"{text}: is a folder, not a pipeline file"])
    if path.exists():
        return path
    if bare:
        raise ConfigError([f"no ready pipeline or file is called '{text}'{did_you_mean(text, list(ready))}"])
    hint = f"; the ready pipeline is called '{path.stem}'" if path.stem in ready else ""
    raise ConfigError([f"{text}: no such file{hint}"])
