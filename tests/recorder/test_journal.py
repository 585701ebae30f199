"""The journal loses nothing but what was cut or damaged."""

from hypothesis import given
from hypothesis import strategies as st

from recorder.journal import Arrival, decode_journal, encode_record

arrivals = st.lists(
    st.builds(Arrival, st.binary(max_size=200), st.integers(-(2**62), 2**62), st.integers(-(2**62), 2**62)),
    max_size=8,
)


@given(arrivals)
def test_what_was_written_is_read(written: list[Arrival]):
    held = decode_journal(b"".join(map(encode_record, written)))
    assert (held.arrivals, held.lost_bytes) == (written, 0)


@given(arrivals, st.data())
def test_a_cut_at_any_byte_loses_the_cut_record_alone(written: list[Arrival], data: st.DataObject):
    records = [encode_record(arrival) for arrival in written]
    whole = b"".join(records)
    cut = data.draw(st.integers(0, len(whole)))
    complete, size = 0, 0
    while complete < len(records) and size + len(records[complete]) <= cut:
        size += len(records[complete])
        complete += 1
    held = decode_journal(whole[:cut])
    assert held.arrivals == written[:complete]
    assert held.lost_bytes == cut - size


@given(arrivals.filter(lambda a: len(a) > 2), st.data())
def test_damage_in_the_middle_costs_only_the_damaged_record(written: list[Arrival], data: st.DataObject):
    records = [bytearray(encode_record(arrival)) for arrival in written]
    hit = data.draw(st.integers(0, len(records) - 1))
    position = data.draw(st.integers(0, len(records[hit]) - 1))
    records[hit][position] ^= data.draw(st.integers(1, 255))
    held = decode_journal(b"".join(map(bytes, records)))
    assert held.arrivals == [*written[:hit], *written[hit + 1 :]]
    assert held.lost_bytes == len(records[hit])
