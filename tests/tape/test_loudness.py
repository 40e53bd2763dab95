"""What was noted to be silent while a recording was read."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from benchwright.tape.loudness import FAINTEST, STEP, Loudness


@given(
    start=st.floats(0, 20), rate=st.sampled_from([8000.0, 44_100.0, 57_600.0]), seconds=st.floats(0.1, 3),
    share=st.floats(0, 1),
)  # fmt: skip
def test_what_is_silent_holds_nothing_loud(start: float, rate: float, seconds: float, share: float) -> None:
    """A sound well inside a stretch is never taken for silence, and one well outside never for sound."""
    loudness = Loudness()
    amplitude = np.full(int(seconds * rate), 0.5 * FAINTEST, np.float32)
    begin = int(share * len(amplitude))
    sound = begin / rate + start
    amplitude[begin : begin + 20] = 2 * FAINTEST
    half = len(amplitude) // 2
    loudness.note(start, rate, amplitude[:half], 1.0)
    loudness.note(start + half / rate, rate, amplitude[half:], 1.0)
    end = start + len(amplitude) / rate
    if sound - start > 3 * STEP and end - sound > 3 * STEP:
        assert not loudness.silent(start, end)
        assert loudness.silent(start, sound - 2 * STEP)
        assert loudness.silent(sound + 20 / rate + 2 * STEP, end)
    assert not loudness.silent(start, end + 1.0)  # what was not heard is not known
