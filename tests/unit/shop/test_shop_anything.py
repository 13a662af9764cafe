"""Whatever is written in a log or a field, it is read or refused in words, and never falls over."""

import math

from hypothesis import given, settings
from hypothesis import strategies as st

from plyflat.shop.cure import CureError, log_from_text
from plyflat.shop.fields import FIELDS, RecordError, read_field

CELLS = st.one_of(
    st.text(max_size=8), st.floats(allow_nan=True, allow_infinity=True).map(str), st.integers(-10, 100).map(str),
    st.sampled_from(["20 degC", "68 degF", "5 min", "", " ", "1e400", "٣", "-", '"']),
)  # fmt: skip
LINES = st.lists(st.lists(CELLS, min_size=0, max_size=4).map(",".join), max_size=8)


@settings(max_examples=300, deadline=None)
@given(st.sampled_from(["time (min),t (degC)", "t (degF),time (h)", "time,t", "time (s),t (K),x"]), LINES)
def test_any_log(head, lines):
    try:
        profile = log_from_text("\n".join([head, *lines]))
    except CureError:
        pass
    else:
        assert all(map(math.isfinite, (*profile.s, *profile.c)))
        assert all(a < b for a, b in zip(profile.s, profile.s[1:]))


@settings(max_examples=300, deadline=None)
@given(st.sampled_from([*FIELDS, "other"]), CELLS)
def test_any_field(key, written):
    try:
        value, text = read_field(key, written)
    except RecordError:
        pass
    else:
        assert text == str(written).strip()
        assert value is None or math.isfinite(value)
