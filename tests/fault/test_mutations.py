"""The named mutations fit the code of today, and their tests exist; `make mutate` tries them."""

import mutations
import pytest


@pytest.mark.parametrize("one", mutations.MUTATIONS, ids=lambda one: one.name)
def test_each_has_one_place_in_the_code_and_tests_that_exist(one):
    assert (mutations.ROOT / one.file).read_text().count(one.old) == 1
    assert one.old != one.new and one.tests
    for test in one.tests:
        file, name = test.split("::")
        assert f"def {name}(" in (mutations.ROOT / file).read_text()
