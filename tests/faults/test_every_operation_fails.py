"""Each operation on files that a run makes fails in turn, in each of the ways in which file systems fail."""

from __future__ import annotations

import pytest
from faulty_files import denied_from, error_at, faulty_files, full_from, nothing, read_only_from
from folders import PART, deliverables, halves
from tiny_site import assert_same, one_line

FAULTS = {"full": full_from, "read-only": read_only_from, "denied": denied_from, "error": error_at}
SAID = {
    "full": "the disk is full",
    "read-only": "the file system is read-only",
    "denied": "no permission to write there",
    "error": "the disk reports an error",
}


@pytest.mark.slow
@pytest.mark.parametrize("kind", FAULTS)
def test_whatever_operation_fails_nothing_is_half_written_and_the_next_run_finishes(site, kind):
    out = site.fresh()
    with faulty_files(out, nothing) as watch:
        assert site.run().exit_code == 0
    operations = watch.seen
    assert {o.kind for o in operations} == {"make", "write", "sync", "rename", "remove", "read"}
    failures = 0
    for place, operation in enumerate(operations):
        site.fresh()
        with faulty_files(out, FAULTS[kind](place)) as watch:
            result = site.run()
        where = f"{operation}: {result.stderr}"
        line = one_line(result)
        site.check_whole()
        site.check_inputs()
        if result.exit_code == 0:  # what failed was of no account, and all is there
            assert_same(deliverables(out), site.wanted())
            # (To make a folder that is there is no error, whatever the system says.)
            lost = [o for o in watch.failed if (o.kind, o.path) != ("make", ".")]
            assert {o.kind for o in lost} <= {"remove", "sync"}, where
            assert not any(o.kind == "sync" and o.path.startswith(PART) for o in watch.failed), where
        else:
            failures += 1
            # A folder that nobody may write to is a mistake in the command, unless it comes later.
            results = ("/run.json: ", "/terrain/dtm", "/clouds/")
            usage = kind in ("read-only", "denied") and not any(name in line for name in results)
            assert result.exit_code == (2 if usage else 1), where
            assert SAID[kind] in line, where
            assert str(site.folder) in line, where
        if kind == "full" or (kind == "error" and operation.kind != "remove"):
            assert not halves(out), where
        if kind == "error" or place % 9 == 0:
            site.check_finishes("--overwrite")
    assert failures > 0.6 * len(operations)  # the others are reads, and removals that may fail
