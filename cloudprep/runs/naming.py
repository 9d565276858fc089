"""Names of sites: from what their flights are called, whatever the order, fit for folders, never twice."""

from __future__ import annotations

import hashlib
import os
import re
import unicodedata
from pathlib import Path
from typing import TYPE_CHECKING

from cloudprep.engine.inputs import deliverable_stem

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

__all__ = ["common_stem", "kept_names", "safe_name", "site_names"]

_LONGEST = 60
# A common beginning this short ("a", "07") says nothing.
_SHORTEST = 3
_DIGITS_OF_CHECKSUM = 6
# Names that mean a device where Windows reads the folder (Microsoft, "Naming Files, Paths, and Namespaces").
_DEVICES = re.compile(r"(con|prn|aux|nul|com[0-9]|lpt[0-9])", re.IGNORECASE)


def safe_name(text: str) -> str:
    """Return a text as a folder may be called: letters, digits, ``_`` and ``-``, not too long, never empty.

    No name has a dot, so none is that of a file which the batch itself keeps.

    >>> safe_name("../North ridge (2).v1"), safe_name("???"), safe_name("Aux")
    ('North_ridge_2_v1', 'site', 'Aux_site')
    """
    plain = re.sub(r"[^\w-]+", "_", unicodedata.normalize("NFC", text))
    plain = re.sub(r"_{2,}", "_", plain).strip("_-")[:_LONGEST].strip("_-")
    if not plain:
        return "site"
    return f"{plain}_site" if _DEVICES.fullmatch(plain) else plain


def common_stem(stems: Sequence[str]) -> str:
    """Return how all stems begin, cut where a word ends; empty where that says nothing.

    >>> common_stem(["quarry_north_01", "quarry_north_02"]), common_stem(["alder", "alps"])
    ('quarry_north', '')
    """
    if len(stems) == 1:
        return stems[0]
    parts = [re.findall(r"[^\W\d_]+|\d+|[\W_]+", stem) for stem in stems]
    common = []
    for words in zip(*parts, strict=False):
        if len(set(words)) > 1:
            break
        common.append(words[0])
    found = "".join(common).strip(" _-.,;+#()[]")
    return found if sum(c.isalnum() for c in found) >= _SHORTEST else ""


def site_names(
    groups: Sequence[Sequence[Path]],
    *,
    by_folder: bool = False,
    earlier: Mapping[str, Mapping[str, int]] | None = None,
    sizes: Mapping[Path, int] | None = None,
) -> list[str]:
    """Return a distinct name for each site.

    What its flights have in common is tried first, then its first flight's name, then that with the folder in
    front, at last a checksum of its flights' paths below the folder that all flights share.

    Parameters
    ----------
    groups : sequence of sequence of Path
        The flights of each site; no flight is in two.
    by_folder : bool
        Whether to try the name of the flights' folder before anything else.
    earlier : mapping of str to mapping of str to int, optional
        Paths and sizes of flights of sites that have a folder already: see :func:`kept_names`. The name of
        one that nobody keeps is given to nobody.
    sizes : mapping of Path to int, optional
        Sizes of the flights, bytes.

    Returns
    -------
    list of str
        In the order of the groups; a site's name doesn't depend on that order. Names that differ only in
        letter case count as the same, since on some file systems they are.
    """
    below = _shared_folder(groups)
    tries = [_candidates(group, below, by_folder=by_folder) for group in groups]
    earlier = earlier or {}
    kept = kept_names(groups, earlier, sizes or {})
    for i, name in kept.items():
        tries[i] = [name]
    barred = {name.casefold() for name in earlier}
    level = [0] * len(tries)
    last = max((len(t) for t in tries), default=1) - 1
    for _ in range(last):
        names = [t[min(k, len(t) - 1)] for t, k in zip(tries, level, strict=True)]
        counts: dict[str, int] = {}
        for name in names:
            counts[name.casefold()] = counts.get(name.casefold(), 0) + 1
        clashing = [
            i
            for i, name in enumerate(names)
            if i not in kept and (counts[name.casefold()] > 1 or name.casefold() in barred)
        ]
        if not clashing:
            break
        for i in clashing:
            level[i] += 1
    return [t[min(k, len(t) - 1)] for t, k in zip(tries, level, strict=True)]


def kept_names(
    groups: Sequence[Sequence[Path]], earlier: Mapping[str, Mapping[str, int]], sizes: Mapping[Path, int]
) -> dict[int, str]:
    """Return which groups keep the name of an earlier site: what is done must not be called otherwise now.

    A site keeps its name where it has more of the earlier one's flights than any other site. Where no flight
    lies where it lay (a disk has another name, say), it does where all have the same file names and sizes.

    Parameters
    ----------
    groups : sequence of sequence of Path
        The flights of each site.
    earlier : mapping of str to mapping of str to int
        Paths and sizes (bytes) of earlier sites' flights by the sites' names.
    sizes : mapping of Path to int
        Sizes of the flights, bytes.
    """
    paths = [{os.path.abspath(p) for p in group} for group in groups]  # noqa: PTH100 - links stay
    files = [{(p.name, sizes.get(p, -1)) for p in group} for group in groups]
    found = []
    for name, there in earlier.items():
        for i, own in enumerate(paths):
            shared = len(own & set(there))
            if shared:
                found.append((-shared, name, i))
            elif {(Path(p).name, size) for p, size in there.items()} == files[i]:
                found.append((0, name, i))
    kept: dict[int, str] = {}
    for _, name, i in sorted(found, key=lambda one: (one[0], one[1], min(paths[one[2]]))):
        if i not in kept and name not in kept.values():
            kept[i] = name
    return kept


def _candidates(group: Sequence[Path], below: Path, *, by_folder: bool) -> list[str]:
    """Return names of one site, from the plainest to the one that nobody else can have."""
    paths = sorted(Path(os.path.realpath(p)) for p in group)
    stems = sorted((deliverable_stem(p) for p in paths), key=_natural)
    folder = Path(os.path.commonpath([p.parent for p in paths]))
    first = safe_name(stems[0])
    inside = [part for part in folder.parts if part != folder.anchor]
    inner = folder.relative_to(below).parts if folder.is_relative_to(below) else ()
    common = common_stem(stems)
    relative = "\0".join(str(p.relative_to(below)) for p in paths)
    checksum = hashlib.sha256(relative.encode("utf-8", "surrogateescape")).hexdigest()
    found = []
    if by_folder and inside:
        found.append(safe_name(inside[-1]))
    if common:
        found.append(safe_name(common))
    found.append(first)
    if inside:
        found.append(safe_name(f"{inside[-1]}_{stems[0]}"))
    if len(inner) > 1:
        found.append(safe_name("_".join([*inner, stems[0]])))
    short = first[: _LONGEST - 1 - _DIGITS_OF_CHECKSUM]
    return [*found, f"{short}_{checksum[:_DIGITS_OF_CHECKSUM]}", f"site_{checksum}"]


def _shared_folder(groups: Sequence[Sequence[Path]]) -> Path:
    folders = [os.path.realpath(p.parent) for group in groups for p in group]
    return Path(os.path.commonpath(folders)) if folders else Path("/")


def _natural(text: str) -> tuple[list[tuple[int, int, str]], str]:
    """Return a key that sorts ``flight2`` before ``flight10``."""
    parts = re.findall(r"\d+|\D+", text)
    return [(0, int(p), "") if p.isdecimal() else (1, 0, p.casefold()) for p in parts], text
