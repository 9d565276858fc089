"""Every registered stage keeps the contract; the checks are the public ones of cloudprep.testing."""

import pytest

from cloudprep.stages.registry import stage_class, stage_names
from cloudprep.testing import contract_checks


@pytest.mark.parametrize("check", contract_checks(), ids=lambda c: c.__name__.removeprefix("check_"))
@pytest.mark.parametrize("name", stage_names())
def test_stage_contract_holds(name, check):
    check(stage_class(name))
