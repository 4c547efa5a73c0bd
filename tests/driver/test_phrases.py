import copy
import tomllib
from importlib import resources
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from driver.axes import AxisSpec
from driver.phrases import Activity, PhraseTable, PhraseTableError, UnreadableError

X = AxisSpec("X", "mm", -6.0, 6.0, 0.001, "decenter_x", 2.0, 0.002)
Y = AxisSpec("Y", "mm", -6.0, 6.0, 0.001, "decenter_y", 2.0, 0.002)
A = AxisSpec("A", "deg", -3.0, 3.0, 0.0005, "tilt_x", 1.0, 0.001)
AXES = (X, Y, A)
NAMES = ("word_address", "comma_steps")
WORD = PhraseTable.named("word_address")
COMMA = PhraseTable.named("comma_steps")


def mapping(name: str = "word_address") -> dict[str, Any]:
    return tomllib.loads((resources.files("driver") / "tables" / f"{name}.toml").read_text())


def changed(path: str, value: object, name: str = "word_address") -> dict[str, Any]:
    table = mapping(name)
    here: Any = table
    *parents, last = path.split(".")
    for part in parents:
        here = here[int(part)] if part.isdigit() else here[part]
    if value is None:
        del here[last]
    else:
        here[last] = value
    return table


# --- numbers ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", NAMES)
@given(st.integers(-(10**9), 10**9), st.booleans())
def test_numbers_on_the_line_are_exactly_invertible(name: str, quanta: int, rotary: bool):
    table, axis = PhraseTable.named(name), A if rotary else X
    number = table.numbers[axis.unit]
    # What the line says comes back as it was said ...
    text = f"{quanta / 10**number.decimals:.{number.decimals}f}"
    value = table.read_number(axis, text)
    assert float(table.write_number(axis, value)) == float(text)
    # ... and a value that the line can carry comes back to the last bit.
    assert table.read_number(axis, table.write_number(axis, value)) == value
    assert table.on_the_line(axis, value) == value


@pytest.mark.parametrize("name", NAMES)
@given(st.floats(-100, 100))
def test_any_value_is_at_most_half_a_quantum_off(name: str, value: float):
    table = PhraseTable.named(name)
    assert abs(table.on_the_line(X, value) - value) <= 0.5001 * table.numbers["mm"].quantum


@given(st.floats(0.1, 1e4), st.integers(0, 6), st.floats(-50, 50))
def test_any_scale_inverts(scale: float, decimals: int, value: float):
    for signed in (scale, -scale):
        table = PhraseTable.from_mapping(changed("numbers.mm", {"scale": signed, "decimals": decimals}))
        once = table.on_the_line(X, value)
        assert table.write_number(X, once) == table.write_number(X, value)


def test_nothing_is_written_as_minus_zero():
    assert WORD.write_number(X, -1e-9) == "0.0000"
    assert COMMA.write_number(X, -1e-9) == "0"


def test_an_axis_may_have_a_format_of_its_own():
    table = PhraseTable.from_mapping(changed("numbers.X", {"scale": 10.0, "decimals": 2}))
    assert (table.write_number(X, 1.5), table.write_number(Y, 1.5)) == ("15.00", "1.5000")


@pytest.mark.parametrize("text", ["nan", "inf", "1e999", "", "1,5", "--1"])
def test_what_is_no_finite_number_is_unreadable(text: str):
    with pytest.raises(UnreadableError, match="axis X"):
        WORD.read_number(X, text)


# --- requests --------------------------------------------------------------------------------------


def test_a_move_in_words_is_the_one_of_the_description_of_the_line():
    here = {"X": 0.0, "Y": 0.0, "A": 0.0}
    assert WORD.write_move(AXES, {"X": 1.5, "A": -0.25}, here, 2.0) == "G01 X1.5000 A-0.2500 F120.0000"


def test_a_move_in_steps_holds_the_other_axes():
    here = {"X": 0.0, "Y": -0.1, "A": 0.0}
    assert COMMA.write_move(AXES, {"X": 1.5}, here, 2.0) == "go,3000,-200,0"


def test_an_axis_left_out_may_be_left_empty_and_have_another_word():
    table = mapping("comma_steps")
    table["axes"] = {
        "left_out": "empty",
        "written": "{axis}={value}",
        "separator": ",",
        "words": {"X": "1", "A": "3"},
    }
    written = PhraseTable.from_mapping(table).write_move(AXES, {"X": 1.0, "A": 1.0}, {}, 1.0)
    assert written == "go,1=2000,,3=4000"


@given(st.floats(1e-7, 1e3))
def test_the_feed_is_rounded_down_but_never_to_zero(feed_per_s: float):
    written = float(WORD.write_feed(feed_per_s))
    assert written > 0
    assert written <= max(60 * feed_per_s * (1 + 1e-9), 1e-4)
    carried = WORD.feed_on_the_line(feed_per_s)
    assert carried == pytest.approx(written / 60)
    assert COMMA.write_feed(feed_per_s) == ""
    assert COMMA.feed_on_the_line(feed_per_s) is None


# --- replies ---------------------------------------------------------------------------------------


@given(st.lists(st.integers(-60000, 60000), min_size=3, max_size=3))
def test_positions_are_exactly_invertible(quanta: list[int]):
    here = {axis.name: quantum / 10**4 for axis, quantum in zip(AXES, quanta, strict=True)}
    words = "AT " + " ".join(f"{axis.name}{WORD.write_number(axis, here[axis.name])}" for axis in AXES)
    assert WORD.read_positions(AXES, words) == here
    steps = {axis.name: q / COMMA.numbers[axis.unit].scale for axis, q in zip(AXES, quanta, strict=True)}
    words = "at," + ",".join(COMMA.write_number(axis, steps[axis.name]) for axis in AXES)
    assert COMMA.read_positions(AXES, words) == steps


def test_positions_may_come_in_another_order_and_with_axes_that_nobody_uses():
    assert WORD.read_positions(AXES, "AT C9 A-0.5 Y2 X1.25") == {"X": 1.25, "Y": 2.0, "A": -0.5}


@pytest.mark.parametrize(
    ("table", "words"),
    [
        (WORD, "AT X1.0 Y2.0"),
        (WORD, "AT X1.0 X1.0 Y2.0 A0"),
        (WORD, "AT X1.0 Y2.0 Aa"),
        (WORD, "AT X1.0  Y2.0 A0"),
        (WORD, "AT"),
        (WORD, "DONE"),
        (COMMA, "at,1,2"),
        (COMMA, "at,1,2,3,4"),
        (COMMA, "at,1,2,"),
    ],
)
def test_positions_that_do_not_give_every_axis_once_are_unreadable(table: PhraseTable, words: str):
    with pytest.raises(UnreadableError):
        table.read_positions(AXES, words)


@given(st.text(max_size=120))
def test_reading_any_words_gives_a_value_or_says_unreadable(words: str):
    for table in (WORD, COMMA):
        table.acknowledges(words)
        table.read_refusal(words)
        for read in (lambda w, t=table: t.read_positions(AXES, w), table.read_identity):
            try:
                read(words)
            except UnreadableError:
                continue


def test_the_state_of_the_default_line():
    state = WORD.read_state(["STATE MOVING HOMED 1 LIMIT 0 LOCK 1 SHUTTER 0 LAMP 1"])
    assert state.activity is Activity.MOVING
    assert (state.homed, state.limit_pressed, state.interlock_closed) == (True, False, True)
    assert (state.shutter_open, state.lamp_on) == (False, True)
    assert not state.activity.at_rest


def test_the_state_put_together_from_three_replies():
    state = COMMA.read_state(["?", "beam,open", "door,ajar"])
    assert (state.activity, state.homed) == (Activity.IDLE, False)
    assert (state.shutter_open, state.interlock_closed) == (True, False)
    assert (state.limit_pressed, state.lamp_on) == (None, None)
    assert COMMA.read_state([".", "beam,shut", "door,shut"]).homed is None
    assert COMMA.reports_homed
    assert WORD.reports_homed


@pytest.mark.parametrize(
    "words",
    ["STATE ASLEEP HOMED 1 LIMIT 0 LOCK 1 SHUTTER 0 LAMP 1", "STATE IDLE HOMED 1 LIMIT 0", ""],
)
def test_an_unknown_state_is_unreadable(words: str):
    with pytest.raises(UnreadableError):
        WORD.read_state([words])


def test_a_flag_word_that_the_table_does_not_know_is_unreadable():
    pattern = WORD.states[0].reply.replace("[01]", "[012]")
    table = PhraseTable.from_mapping(changed("states.0.reply", pattern))
    with pytest.raises(UnreadableError, match="neither yes nor no of limit"):
        table.read_state(["STATE IDLE HOMED 1 LIMIT 2 LOCK 1 SHUTTER 0 LAMP 1"])


def test_refusals_have_their_meaning():
    meanings = {
        code: WORD.read_refusal(f"ERR{code} WHY").meaning
        for code in ("01", "02", "03", "04", "05", "06", "07", "08", "99")
    }
    assert meanings == {
        "01": "check_wrong",
        "02": "not_understood",
        "03": "not_homed",
        "04": "out_of_travel",
        "05": "busy",
        "06": "interlock_open",
        "07": "limit_switch",
        "08": "stalled",
        "99": "refused",
    }
    assert WORD.read_refusal("DONE") is None
    assert WORD.acknowledges("DONE")
    assert not WORD.acknowledges("DONE.")


def test_a_group_that_a_pattern_makes_optional_is_still_needed():
    table = mapping()
    table["replies"]["positions"] = "AT(?: (?P<axes>.+))?"
    table["replies"]["position"]["written"] = r"(?P<axis>[A-Z])(?P<value>\d+)?"
    table["states"][0]["reply"] = WORD.states[0].reply.replace("(?P<state>[A-Z]+)", "(?P<state>[A-Z]+)?")
    optional = PhraseTable.from_mapping(table)
    for words in ("AT", "AT X Y1 A1"):
        with pytest.raises(UnreadableError, match="gives no"):
            optional.read_positions(AXES, words)
    with pytest.raises(UnreadableError, match="no state in"):
        optional.read_state(["STATE  HOMED 1 LIMIT 0 LOCK 1 SHUTTER 0 LAMP 1"])


# --- tables ----------------------------------------------------------------------------------------


def test_both_tables_of_the_package_are_read_from_file_too():
    folder = Path(str(resources.files("driver"))) / "tables"
    for name in NAMES:
        assert PhraseTable.from_file(folder / f"{name}.toml") == PhraseTable.named(name)


BAD = [
    # path, value, what the message must name
    ("line.chekc", "crc16", ["key line.chekc", "unknown key", "nearest: check"]),
    ("motion.acknowledge", "end", ["key motion.acknowledge", "allowed: acknowledged_at"]),
    ("states.0.replies", "x", ["key states.0.replies", "nearest: reply"]),
    ("line.check", "crc17", ["key line.check", "'crc17'", "nearest: 'crc16'"]),
    ("line.max_bytes", 3, ["key line.max_bytes", "8", "found 3"]),
    ("line.max_bytes", "160", ["key line.max_bytes", "integer", "found '160'"]),
    ("line.terminator", "", ["key line.terminator", "at least 1"]),
    ("line.terminator", "é", ["key line.terminator", "ASCII"]),
    ("requests.stop", None, ["key requests.stop", "missing", "home"]),
    ("requests.stop", "M\n00", ["key requests.stop", "line ends"]),
    ("requests.stop", "M{code}", ["unknown field {code}"]),
    ("requests.stop", "M{0}", ["must be a plain name in braces"]),
    ("requests.stop", "M{", ["key requests"]),
    ("requests.move", "G01", ["lacks the field {axes}"]),
    ("requests.move", "G01 {axes} {axes}", ["twice"]),
    ("requests.move", "G01 {axes}", ["{feed} exactly when there is a table feed"]),
    ("requests.lamp_off", None, ["lamp_on and lamp_off go together"]),
    ("requests.identify", None, ["requests.identify and replies.identify go together"]),
    ("line.request", "{sequence}", ["lacks the field {words}"]),
    ("line.reply", "{words}", ["both have {sequence}"]),
    ("line.sequence_min", 9999, ["sequence_max must be above"]),
    ("line.check_written", None, ["check_written is needed"]),
    ("line.check_written", "K", ["lacks the field {check}"]),
    ("numbers.mm.scale", 0.0, ["scale must not be 0"]),
    ("numbers.mm.scale", float("nan"), ["key numbers.mm.scale"]),
    ("numbers.mm.decimals", 10, ["key numbers.mm.decimals"]),
    ("numbers.mm.decimal", 4, ["nearest: decimals"]),
    ("axes.written", "{axis}", ["lacks the field {value}"]),
    ("axes.written", "{value}", ["needs the field {axis}"]),
    ("axes.words", {"X": "1", "Y": "1"}, ["differ"]),
    ("feed.scale", 0.0, ["key feed.scale"]),
    ("replies.error", "ERR", ["lacks the named group (?P<code>"]),
    ("replies.error", "ERR(?P<code>", ["not a regular expression"]),
    ("replies.acknowledge", "(?P<ok>DONE)", ["unknown group 'ok'"]),
    ("replies.acknowledge", None, []),
    ("states", [], ["no reply has the group (?P<state>"]),
    ("state_words.moving", ["IDLE"], ["two things"]),
    ("state_words.idle", [], ["key state_words.idle"]),
    ("flags.no", ["1"], ["both yes and no"]),
    ("errors.01", "crc", ["key errors.01", "'crc'"]),
    ("interlock", "not_on_this_line", ["(?P<interlock>...) is in the state replies"]),
    ("interlock", "maybe", ["key interlock", "'maybe'"]),
]


@pytest.mark.parametrize(("path", "value", "named"), BAD)
def test_a_wrong_table_is_explained(path: str, value: object, named: list[str]):
    table = changed(path, value)
    if not named:
        PhraseTable.from_mapping(table)
        return
    with pytest.raises(PhraseTableError) as problem:
        PhraseTable.from_mapping(table, "my.toml")
    message = str(problem.value)
    assert message.startswith("my.toml: ")
    assert "\n" not in message
    for part in named:
        assert part in message


def test_groups_that_the_driver_relies_on_must_be_there():
    pattern = WORD.states[0].reply
    for group, named in (("interlock", "not in the state replies"), ("shutter", "its own switch")):
        table = changed("states.0.reply", pattern.replace(f"?P<{group}>", "?:"))
        with pytest.raises(PhraseTableError, match=named):
            PhraseTable.from_mapping(table)
    twice = mapping()
    twice["states"].append(copy.deepcopy(twice["states"][0]))
    with pytest.raises(PhraseTableError, match="same group"):
        PhraseTable.from_mapping(twice)


def test_an_end_that_is_never_said_cannot_be_waited_for():
    table = changed("motion.homing_acknowledged_at", "end")
    del table["replies"]["acknowledge"]
    with pytest.raises(PhraseTableError, match=r"needs replies.acknowledge"):
        PhraseTable.from_mapping(table)


def test_a_table_may_know_no_error_reply():
    table = PhraseTable.from_mapping(changed("replies.error", None))
    assert table.read_refusal("ERR01 WHY") is None


def test_the_number_of_further_problems_is_told():
    table = changed("line.check", "crc17")
    table["line"]["max_bytes"] = 1
    with pytest.raises(PhraseTableError, match=r"\(1 more after it\)"):
        PhraseTable.from_mapping(table)


def test_an_empty_table_lacks_its_first_key():
    with pytest.raises(PhraseTableError, match="key title: missing"):
        PhraseTable.from_mapping({})


def test_files_that_cannot_be_read_are_named(tmp_path: Path):
    with pytest.raises(PhraseTableError, match=r"gone\.toml: cannot be read"):
        PhraseTable.from_file(tmp_path / "gone.toml")
    (tmp_path / "bad.toml").write_bytes(b"\xff")
    with pytest.raises(PhraseTableError, match="cannot be read"):
        PhraseTable.from_file(tmp_path / "bad.toml")
    (tmp_path / "bad.toml").write_text("title = ")
    with pytest.raises(PhraseTableError, match="not TOML"):
        PhraseTable.from_file(tmp_path / "bad.toml")
    with pytest.raises(PhraseTableError, match="there are: comma_steps, word_address"):
        PhraseTable.named("word_adress")


def test_axes_that_the_table_cannot_write_are_refused():
    WORD.check_axes(AXES)
    with pytest.raises(PhraseTableError, match="differ on the line"):
        WORD.check_axes((X, X))
    with pytest.raises(PhraseTableError, match="there and differ"):
        WORD.check_axes(())
    fine = AxisSpec("X", "mm", -1.0, 1.0, 0.00001, "decenter_x", 1.0, 0.0)
    with pytest.raises(PhraseTableError, match=r"step of 1e-05 mm, but the line carries no less than 0.0001"):
        WORD.check_axes((fine,))
    only_mm = changed("numbers.deg", None)
    with pytest.raises(PhraseTableError, match="no format for axis A or unit deg; there are: mm"):
        PhraseTable.from_mapping(only_mm).check_axes(AXES)
