"""Settings of the whole suite."""

from __future__ import annotations

from hypothesis import settings

# A busy machine is no fault of the code: no property test is failed for the time that an example took.
settings.register_profile("suite", deadline=None)
settings.load_profile("suite")
