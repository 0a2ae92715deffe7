"""The tables of published values themselves."""

import pytest

from tests.physics.published import files, rows


@pytest.mark.parametrize("file", files())
def test_every_value_says_where_it_comes_from(file):
    """Source, how it is known and a small tolerance stand in every row, and no web address."""
    for row in rows(file):
        assert row.source
        assert row.how_known
        assert 0 <= row.tolerance <= 0.03
        assert "http" not in row.source
        assert "www" not in row.source
