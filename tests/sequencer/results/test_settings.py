"""What a check was told, kept as frozen values."""

from __future__ import annotations

import json
from dataclasses import FrozenInstanceError

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sequencer.results.settings import Setting, Settings

PLAIN = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(), inner, max_size=3),
    max_leaves=12,
)


@given(st.dictionaries(st.text(), PLAIN, max_size=5))
def test_settings_come_back_as_they_were_told(plain):
    """Whatever a check's model says in JSON comes back the same, nested or not; nothing of it can be changed on the way."""
    kept = Settings.of(plain)
    assert json.loads(json.dumps(kept.as_plain())) == plain
    hash(kept)  # frozen throughout: a list or a mapping within would have no hash


def test_a_setting_is_found_by_name():
    """Each is found by its name; one that is not there is None, as one that was told nothing."""
    kept = Settings.of({"tone_hz": 1000.0, "target": {"kind": "SINAD"}, "channels": [1, 20]})
    assert kept.names == ("tone_hz", "target", "channels")
    assert kept.find("target") == Settings(entries=(Setting(name="kind", value="SINAD"),))
    assert (kept.find("channels"), kept.find("depth")) == ((1, 20), None)
    assert kept
    assert not Settings()
    with pytest.raises(FrozenInstanceError):
        kept.entries[0].value = 3.0  # type: ignore[misc]


def test_what_no_setting_can_be_is_refused():
    """A value that JSON does not have is a ValueError, which a check from elsewhere may run into."""
    with pytest.raises(ValueError, match="no setting can be a set"):
        Settings.of({"channels": {1, 2}})
