"""The journal on a folder: append, rotate, reclaim, recover. Runs on CPython and MicroPython.

What a power cut does to it is in tests/fault, on the file system of the board.
"""

import os

from fake_board import fresh_folder
from log_folder import check_chain, field, good_records, segment_bytes, segment_numbers, segment_path
from skidboard import records
from skidboard.journal import Journal

DEVICE = b"\x01\x02\x03\x04\x05\x06\x07\x08"
SLOT = bytearray(records.RECORD_BYTES)


def journal(folder, segments_max=280, key=None, log=0xA1B2C3D4):
    made = Journal(folder, DEVICE, lambda: log, segments_max, key)
    made.boot = made.open()
    return made


def mark(to, n=1, boot=None):
    """Append `n` marks that hold their own number in `a`; the last sequence number."""
    seq = -1
    for _ in range(n):
        records.pack_event(
            SLOT, records.MARK, boot or to.boot, 1000 * to.next_seq, a=to.next_seq, text="mark"
        )
        seq = to.append(SLOT)
    return seq


def overwrite(folder, number, raw):
    place = segment_path(folder, number)
    try:
        os.mkdir(place.rsplit("/", 1)[0])
    except OSError:
        pass
    with open(place, "wb") as f:
        f.write(raw)


def test_new_log_numbers_from_zero():
    folder = fresh_folder("journal_new") + "/log"
    j = journal(folder)
    assert (j.boot, j.log, j.next_seq, j.problem) == (1, 0xA1B2C3D4, 0, None)
    assert mark(j) == 0 and mark(j) == 1
    assert [seq for _, seq, _ in good_records(folder)] == [0, 1]
    assert (j.segment_first, j.segment_last, j.open_bytes) == (1, 1, 64 + 2 * 144)


def test_rotates_after_28_records_and_chains():
    folder = fresh_folder("journal_rotate") + "/log"
    j = journal(folder)
    mark(j, 28 * 3 + 5)
    assert segment_numbers(folder) == [1, 2, 3, 4]
    assert [len(segment_bytes(folder, n)) for n in (1, 2, 3, 4)] == [4096, 4096, 4096, 64 + 5 * 144]
    assert check_chain(folder) == 4
    found = good_records(folder)
    assert [seq for _, seq, _ in found] == list(range(89))
    assert all(field(record, "a") == seq for _, seq, record in found)


def test_first_segment_has_no_predecessor():
    folder = fresh_folder("journal_zeros") + "/log"
    mark(journal(folder))
    assert segment_bytes(folder, 1)[28:60] == bytes(32)


def test_goes_on_after_a_boot():
    folder = fresh_folder("journal_again") + "/log"
    for boot in range(1, 8):
        j = journal(folder)
        assert j.boot == boot and j.log == 0xA1B2C3D4
        mark(j, 9)
    assert [seq for _, seq, _ in good_records(folder)] == list(range(63))
    assert check_chain(folder) == 3


def test_boot_numbers_begin_anew_after_65535():
    folder = fresh_folder("journal_boots") + "/log"
    mark(journal(folder), 1, boot=65534)
    boots = []
    for _ in range(4):
        j = journal(folder)
        boots.append(j.boot)
        mark(j)
    assert boots == [65535, 0, 1, 2]
    assert [field(r, "boot") for _, _, r in good_records(folder)] == [65534] + boots
    assert check_chain(folder) == 1


def test_boot_exactly_at_a_full_segment():
    folder = fresh_folder("journal_full") + "/log"
    mark(journal(folder), 28)
    j = journal(folder)
    assert j.next_seq == 28 and j.segment_last == 1
    assert mark(j) == 28
    assert check_chain(folder) == 2


def test_reclaims_the_oldest_and_writes_so_first():
    folder = fresh_folder("journal_reclaim") + "/log"
    j = journal(folder, segments_max=4)
    mark(j, 28 * 10)
    numbers = segment_numbers(folder)
    assert len(numbers) == 4 and numbers[-1] == j.segment_last and numbers[0] == j.segment_first
    kept = good_records(folder)
    reclaims = [r for _, _, r in kept if field(r, "kind") == records.RECLAIM]
    assert field(reclaims[-1], "a") == numbers[0] - 1
    # The first record kept follows the last one reclaimed: nothing went without being named.
    assert field(reclaims[-1], "c") + 1 == kept[0][1]
    assert [seq for _, seq, _ in kept] == list(range(kept[0][1], kept[-1][1] + 1))
    assert all(field(r, "d") == 0 for r in reclaims)
    assert j.overwrote == kept[0][1]


def test_reclaim_says_when_a_host_held_it_all():
    folder = fresh_folder("journal_held") + "/log"
    j = journal(folder, segments_max=3)
    mark(j, 50)
    j.set_stored(40)
    j = journal(folder, segments_max=3)
    assert j.stored_seq == 40
    mark(j, 70)
    reclaims = [r for _, _, r in good_records(folder) if field(r, "kind") == records.RECLAIM]
    held = {field(r, "a"): field(r, "d") for r in reclaims}
    assert held[2] == 0 and j.overwrote == 56 - 40
    mark(journal(folder, segments_max=3), 1)


def spoil_header(folder, number):
    raw = bytearray(segment_bytes(folder, number))
    raw[30] ^= 1
    overwrite(folder, number, raw)


def test_a_reclaimed_segment_with_a_damaged_header_is_not_called_held():
    folder = fresh_folder("journal_reclaim_damaged") + "/log"
    j = journal(folder, segments_max=5)
    mark(j, 28 * 4)
    j.set_stored(40)
    for number in (1, 2, 3):
        spoil_header(folder, number)
    overwrote = []
    for _ in range(4):
        mark(j, 28)
        overwrote.append(j.overwrote)
    reclaims = [r for _, _, r in good_records(folder) if field(r, "kind") == records.RECLAIM]
    said = {field(r, "a"): (field(r, "b"), field(r, "c"), field(r, "d")) for r in reclaims}
    # By hand: 28 records a segment, from 0. Of 1 and 2 nobody can tell, for the header after is damaged too.
    assert said[1] == said[2] == (0, 0, 0)
    assert said[3] == (56, 83, 0)
    assert [n for n in overwrote if n <= 84] == [0, 56, 84]
    # The same with a host that holds all of it: what is known to be held is called so.
    folder = fresh_folder("journal_reclaim_damaged_held") + "/log"
    j = journal(folder, segments_max=3)
    mark(j, 28 * 2)
    j.set_stored(56)
    spoil_header(folder, 1)
    mark(j, 29)
    reclaims = [r for _, _, r in good_records(folder) if field(r, "kind") == records.RECLAIM]
    assert [(field(r, "a"), field(r, "b"), field(r, "c"), field(r, "d")) for r in reclaims] == [(1, 0, 27, 1)]
    assert j.overwrote == 0


def test_stored_never_falls_nor_exceeds_what_there_is():
    folder = fresh_folder("journal_stored") + "/log"
    j = journal(folder)
    mark(j, 10)
    j.set_stored(7)
    j.set_stored(3)
    assert j.stored_seq == 7
    j.set_stored(4000000000)
    assert j.stored_seq == 10


def test_interrupted_reclaim_is_finished_at_the_next_boot():
    folder = fresh_folder("journal_interrupted") + "/log"
    j = journal(folder, segments_max=3)
    mark(j, 28 * 2)
    oldest = segment_bytes(folder, 1)
    mark(j, 28 + 5)
    assert 1 not in segment_numbers(folder)
    overwrite(folder, 1, oldest)  # as if power had failed between the record and the removal
    j = journal(folder, segments_max=3)
    assert 1 not in segment_numbers(folder) and j.segment_first == 2
    assert check_chain(folder) == len(segment_numbers(folder))


def test_fewer_segments_wanted_later():
    folder = fresh_folder("journal_fewer") + "/log"
    j = journal(folder, segments_max=10)
    mark(j, 28 * 9)
    j.segments_max = 4
    mark(j, 28 * 9)
    assert len(segment_numbers(folder)) == 4


def test_segment_that_never_began():
    folder = fresh_folder("journal_unborn") + "/log"
    mark(journal(folder), 28)
    overwrite(folder, 2, b"")
    j = journal(folder)
    assert j.next_seq == 28 and j.segment_last == 1
    mark(j, 3)
    assert check_chain(folder) == 2
    assert [seq for _, seq, _ in good_records(folder)] == list(range(31))


def damaged_end(folder, change):
    """40 records, then `change(bytes)` to the last segment, then a boot and one more record."""
    mark(journal(folder), 40)
    raw = change(bytearray(segment_bytes(folder, 2)))
    overwrite(folder, 2, raw)
    j = journal(folder)
    mark(j)
    assert segment_bytes(folder, 2) == raw  # evidence is left as found
    assert j.segment_last == 3
    return j


def recovered(folder):
    found = [r for _, _, r in good_records(folder) if field(r, "kind") == records.RECOVERED]
    assert len(found) == 1 and field(found[0], "text") == "damaged segment left as found"
    return field(found[0], "a"), field(found[0], "b")


def test_torn_last_record_is_neither_read_nor_its_number_used_again():
    folder = fresh_folder("journal_torn") + "/log"
    damaged_end(folder, lambda raw: raw[:-50])
    assert recovered(folder) == (2, 64 + 12 * 144 - 50)
    assert [seq for _, seq, _ in good_records(folder)] == list(range(39)) + [40, 41]
    assert check_chain(folder) == 3


def test_damage_in_mid_segment_leaves_the_rest_readable():
    folder = fresh_folder("journal_rot") + "/log"

    def flip(raw):
        raw[64 + 5 * 144 + 60] ^= 1
        return raw

    damaged_end(folder, flip)
    assert [seq for _, seq, _ in good_records(folder)] == list(range(33)) + list(range(34, 42))


def test_damaged_header_is_numbered_past():
    folder = fresh_folder("journal_header") + "/log"

    def flip(raw):
        raw[20] ^= 0xFF
        return raw

    j = damaged_end(folder, flip)
    assert j.log == 0xA1B2C3D4
    seqs = [seq for _, seq, _ in good_records(folder)]
    assert seqs[:40] == list(range(40)) and seqs[40] >= 40 and len(set(seqs)) == len(seqs)
    boots = [field(r, "boot") for _, _, r in good_records(folder)]
    assert boots == sorted(boots) and boots[-1] > boots[0]


def test_segment_of_nonsense_does_not_stop_the_log():
    for size in (1, 63, 64, 4096, 20000):
        folder = fresh_folder("journal_nonsense%d" % size) + "/log"
        mark(journal(folder), 30)
        overwrite(folder, 3, bytes([0xA5]) * size)
        j = journal(folder)
        mark(j, 30)
        assert j.segment_first == 1 and j.log == 0xA1B2C3D4
        seqs = [seq for _, seq, _ in good_records(folder)]
        assert len(seqs) == 61 and seqs == sorted(set(seqs))


def test_nothing_recognisable_begins_another_log():
    folder = fresh_folder("journal_stranger") + "/log"
    journal(folder)
    overwrite(folder, 5, b"not ours" * 100)
    j = journal(folder, log=0x77)
    mark(j, 3)
    assert j.log == 0x77 and (j.segment_first, j.segment_last) == (6, 6)
    assert segment_bytes(folder, 5) == b"not ours" * 100


def test_another_board_s_segments_are_left_alone():
    folder = fresh_folder("journal_other") + "/log"
    mark(journal(folder), 40)
    j = Journal(folder, b"\x99" * 8, lambda: 0x55, 280)
    j.boot = j.open()
    mark(j, 3)
    assert j.log == 0x55 and (j.segment_first, j.segment_last) == (3, 3)
    assert segment_numbers(folder) == [1, 2, 3]
    j = Journal(folder, b"\x99" * 8, lambda: 0x56, 280)
    j.open()
    assert (j.log, j.segment_first, j.segment_last) == (0x55, 3, 3)


def test_foreign_names_are_ignored():
    folder = fresh_folder("journal_names") + "/log"
    mark(journal(folder), 3)
    os.mkdir(folder + "/fffffff")
    for name in (
        "notes.txt",
        "00000009.seg",
        "0000002",
        "0000000/zzzzzzzz.seg",
        "0000000/00000010.seg",
        "fffffff/ffffffff.seg",
        "0000000/0000001.seg",
        "0000000/-0000001.seg",
    ):
        with open(folder + "/" + name, "wb") as f:
            f.write(b"x")
    j = journal(folder)
    assert (j.segment_first, j.segment_last) == (1, 1) and mark(j) == 3


def test_gap_among_the_segments_is_passed_over():
    folder = fresh_folder("journal_gap") + "/log"
    j = journal(folder, segments_max=5)
    mark(j, 28 * 4)
    os.remove(segment_path(folder, 1))
    os.remove(segment_path(folder, 2))
    j = journal(folder, segments_max=5)
    mark(j, 28 * 9)
    numbers = segment_numbers(folder)
    assert numbers == list(range(numbers[0], numbers[0] + 5))


def test_storage_that_is_not_there():
    folder = fresh_folder("journal_missing")
    j = journal(folder + "/no/such/folder")
    assert j.problem and mark(j) == -1 and j.lost == 1
    os.mkdir(folder + "/no")
    os.mkdir(folder + "/no/such")
    assert mark(j) == 0 and j.problem is None and j.lost == 1


def test_reads_back_what_the_link_asks_for():
    folder = fresh_folder("journal_read") + "/log"
    j = journal(folder)
    mark(j, 30)
    buf = bytearray(4096)
    assert j.read_into(1, 0, buf) == (4096, 4096, 1)
    assert buf == segment_bytes(folder, 1)
    assert j.read_into(2, 64, buf) == (288, 352, 0)
    assert buf[:288] == segment_bytes(folder, 2)[64:]
    part = bytearray(10)
    assert j.read_into(1, 4090, part) == (6, 4096, 1)
    assert j.read_into(2, 352, buf) == (0, 352, 0)
    assert j.read_into(3, 0, buf) == (0, 0, 1)
    assert j.read_into(0, 0, buf) == (0, 0, 1)


def test_key_makes_the_chain_an_hmac():
    # HMAC-SHA-256, RFC 4231 test case 2: key "Jefe", data "what do ya want for nothing?".
    from skidboard.digest import Digest

    digest = Digest(b"Jefe")
    text = b"what do ya want for nothing?"
    digest.begin(text, len(text))
    want = "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"
    assert "".join(["%02x" % byte for byte in digest.finish(4096)]) == want

    folder = fresh_folder("journal_key") + "/log"
    for _ in range(3):
        mark(journal(folder, key=b"k" * 70), 25)
    assert segment_bytes(folder, 1)[5] == records.CHAIN_HMAC

    def keyed(block):
        made = Digest(b"k" * 70)
        made.begin(block, len(block))
        return made.finish(4096)

    assert check_chain(folder, keyed) == 3


def test_an_end_set_back_is_named_and_no_number_given_again():
    folder = fresh_folder("journal_set_back") + "/log"
    j = journal(folder)
    mark(j, 50)
    mark(journal(folder), 5)
    j = journal(folder)
    mark(j, 5)
    j.set_stored(58)
    overwrite(folder, 3, segment_bytes(folder, 3)[: 64 + 144])  # as a folder set back gives it
    j = journal(folder)
    assert j.notice == "storage: the end of the log was lost" and j.stored_seq == 58
    assert (j.next_seq, j.boot) == (60, 4)
    assert mark(j) == 61 and j.segment_last == 5
    found = [r for _, _, r in good_records(folder) if field(r, "kind") == records.RECOVERED]
    assert [(field(r, "seq"), field(r, "c"), field(r, "d")) for r in found] == [(60, 57, 60)]
    assert field(found[0], "text") == "end of the log lost"
    j.set_stored(10)
    assert j.notice is None
    # Without its folder, too, and with all folders gone.
    os.remove(segment_path(folder, 5))
    j = journal(folder)
    assert mark(j) == 63 and j.segment_last == 7
    for number in segment_numbers(folder):
        os.remove(segment_path(folder, number))
    j = journal(folder, log=0x77)
    assert j.notice == "storage: the log was gone, a new one has begun" and j.log == 0x77


def test_a_spoilt_or_old_note_does_no_harm():
    folder = fresh_folder("journal_note") + "/log"
    mark(journal(folder), 40)
    for raw in (b"", b"x" * 24, b"x" * 1000):
        with open(folder + ".end/note", "wb") as f:
            f.write(raw)
        j = journal(folder)
        assert (j.notice, j.next_seq % 41) == (None, 40) or j.next_seq > 40
        assert mark(j) == j.next_seq - 1 and j.segment_last == 2


def test_a_boot_number_in_a_damaged_slot_is_not_given_again():
    """Four boots left a record each in slots that are damaged now, and the note is gone as well."""
    folder = fresh_folder("journal_boots") + "/log"
    for boot in range(1, 8):
        j = journal(folder)
        assert j.boot == boot
        mark(j)
    raw = bytearray(segment_bytes(folder, 1))
    for k in range(3, 7):
        raw[64 + k * 144 + 60] ^= 1
    overwrite(folder, 1, raw)
    os.remove(folder + ".end/note")
    assert journal(folder).boot == 8


def test_no_more_is_stored_on_a_host_than_there_is():
    from skidboard.end_note import EndNote

    folder = fresh_folder("journal_clamp") + "/log"
    j = journal(folder)
    mark(j, 10)
    j.set_stored(1000000)
    assert j.stored_seq == 10
    mark(j, 5)
    assert j.stored_seq == 10, "a number that was beyond the end stands for no later record"
    j.set_stored(7)
    assert j.stored_seq == 10
    EndNote(folder).write(j.log, 15, 1, 1, 1000000)
    again = journal(folder)
    assert (again.next_seq, again.stored_seq, again.notice) == (15, 15, None)


def test_the_note_has_the_whole_boot_number_and_what_is_stored_before_any_record_of_a_boot():
    from skidboard.end_note import EndNote

    folder = fresh_folder("journal_noted") + "/log"
    mark(journal(folder), 10, boot=0x1234)
    note = EndNote(folder)
    note.read()
    assert (note.next_seq, note.boot) == (10, 0x1234)
    journal(folder).set_stored(7)
    assert journal(folder).stored_seq == 7


class FailingFile:
    """A file whose flush fails: with what was written stored all the same, or not."""

    def __init__(self, file, stores):
        self.file, self.stores = file, stores

    def write(self, data):
        if self.stores:
            self.file.write(data)

    def flush(self):
        self.file.flush()
        raise OSError(5)

    def close(self):
        self.file.close()


def test_a_record_whose_write_failed_is_stored_once():
    for stores in (True, False):
        folder = fresh_folder("journal_once") + "/log"
        j = journal(folder)
        mark(j, 3)
        j._file = FailingFile(j._file, stores)
        assert mark(j) == 3 and mark(j) == 4
        assert [field(r, "seq") for _, _, r in good_records(folder)] == [0, 1, 2, 3, 4]
        assert [field(r, "a") for _, _, r in good_records(folder)] == [0, 1, 2, 3, 4]
        assert (j.next_seq, j.lost, j.problem) == (5, 0, None)
