"""Plan files: what is taken, in which words, and what is refused because it could never end."""

import json

import pytest

from logger.campaign.plan import check_plan_for_bench, parse_plan, plan_joint
from logger.campaign.plan_words import cycle_words, stage_words
from logger.errors import InputError
from logger.joint.bench.bench import Bench, bench_from_texts
from logger.simulate.scenario import scenario_bench
from tests.support.command import run
from tests.support.heat_recordings import heat_bench

PLAN = """
format = 1
name   = "Gear endurance"
joint  = "shoulder"
[[stage]]
name  = "soak"
until = { equilibrium_K_per_h = 2.0 }
[[stage]]
name   = "load"
cycles = 50_000
watch  = ["cycle_time_s", "rms_torque_Nm", "peak_temperature_degC", "friction_A"]
[[stage]]
name  = "cool-down"
until = { below_degC = 30.0 }
"""
COOL = "until = { below_degC = 30.0 }"


def _refusal(text: str, bench: Bench | None = None) -> str:
    with pytest.raises(InputError) as refused:
        check_plan_for_bench(
            parse_plan(text, "plan.toml"), bench or scenario_bench(channel="x"), "plan.toml"
        )
    return str(refused.value)


def test_a_plan_is_told_in_words():
    """Stage by stage what it waits for, and how cycles are found."""
    plan = parse_plan(PLAN, "plan.toml")
    check_plan_for_bench(plan, scenario_bench(channel="x"), "plan.toml")
    assert [stage_words(stage) for stage in plan.stage] == [
        "lasts until no temperature of the joint changes by more than 2 K in an hour",
        "lasts 50,000 cycles; watches cycle_time_s, rms_torque_Nm, peak_temperature_degC, "
        "friction_A",
        "lasts until the joint is below 30 degC",
    ]
    assert cycle_words(plan).startswith("Cycles are found by themselves")


@pytest.mark.parametrize(
    ("end", "words"),
    [
        ("duration_s = 5400", "lasts 1.5 h"),
        ("until = { duration_s = 90 }", "lasts 1.5 min"),
        ("until = { cycles = 1 }", "lasts 1 cycle"),
        (
            "until = { ambient_within_K = 1.0, for_s = 1800 }",
            "lasts until the joint is within 1 K of its ambient for 30 min",
        ),
        ('until = { note = "go" }', "lasts until somebody writes the note 'go'"),
    ],
)
def test_every_end_has_its_words(end: str, words: str):
    """However it is written."""
    plan = parse_plan(PLAN.replace(COOL, end), "plan.toml")
    assert stage_words(plan.stage[2]) == words


@pytest.mark.parametrize(
    ("cycle", "words"),
    [
        ('note = "next"', "A cycle begins with each note 'next'."),
        ('channel = "torque_Nm"', "Cycles are found by themselves, from torque returning."),
        (
            'channel = "torque_Nm"\nabove = 5.0\nhysteresis = 1.5',
            "A cycle begins when torque rises through 5 Nm, after it was below 3.5.",
        ),
    ],
)
def test_how_cycles_begin_can_be_stated(cycle: str, words: str):
    """By a note, by a channel, by a level of it."""
    assert cycle_words(parse_plan(f"{PLAN}[cycle]\n{cycle}\n", "plan.toml")) == words


@pytest.mark.parametrize(
    ("was", "becomes", "said"),
    [
        (COOL, "", "stage[3].until: this stage has no end, so that the plan would never end."),
        (COOL, "until = {}", "stage[3].until: found no end"),
        (COOL, f"{COOL}\nduration_s = 3", "found duration_s and until, expected one end"),
        ("cycles = 50_000", "cycles = 0", "stage[2].cycles: found 0, expected greater than 0"),
        (COOL, "duration_s = 0", "stage[3].duration_s: found 0, expected greater than 0"),
        ("30.0", "-300.0", "which nothing ever reaches"),
        ("30.0", "-80.0", "below which no reading is taken for one: the plan would never end"),
        (
            "equilibrium_K_per_h = 2.0",
            "ambient_within_K = 1.0",
            "stage[1] (soak).until.ambient_within_K: nothing on the bench reports an ambient",
        ),
        ("below_degC = 30.0", "below_degC = 30.0, for_s = 3", "belongs beside ambient_within_K"),
        ('"friction_A"', '"frictoin_A"', "stage[2].watch[4]: found 'frictoin_A'"),
        ('"friction_A"', '"cycle_time_s"', "found 'cycle_time_s' twice"),
        ('joint  = "shoulder"', "", "joint: found no joint, expected one of the bench's 2"),
        ('joint  = "shoulder"', 'joint = "shulder"', "Did you mean 'shoulder'?"),
        ('"cool-down"', '"load"', "found two stages 'load'"),
    ],
)
def test_what_can_never_end_is_refused(was: str, becomes: str, said: str):
    """In one sentence: which stage, what was found, what was expected."""
    refusal = _refusal(PLAN.replace(was, becomes))
    assert said in refusal
    assert len(refusal.splitlines()) == 1


@pytest.mark.parametrize(
    ("cycle", "said"),
    [
        ("", "cycle: found neither, expected a channel or a note"),
        ('channel = "torque_Nm"\nnote = "n"', "cycle: found both, expected a channel or a note"),
        ('channel = "torque_Nm"\nhysteresis = 1.0', "cycle.hysteresis: this belongs beside above"),
        ('note = "n"\nabove = 1.0', "cycle.above: this belongs beside a channel"),
        ('channel = "torc"', "cycle.channel: found 'torc'"),
        ('channel = "torque_Nm"\nabove = 1e9', "cycle.above: found 1e+09"),
        ('channel = "voltage_V"\nabove = 5\nhysteresis = 6.0', "which no supply voltage ever is"),
        ('channel = "voltage_bus_V"', "which 'shoulder' does not report"),
    ],
)
def test_a_start_of_cycles_that_makes_no_sense_is_refused(cycle: str, said: str):
    """A channel or a note, and what belongs to it."""
    assert said in _refusal(f"{PLAN}[cycle]\n{cycle}\n")


@pytest.mark.parametrize("days", [14, 2.5])
def test_only_raw_frames_can_be_let_go(days: float):
    """Whoever would let readings go is told that they stay, and what to write."""
    keep = f"keep = {{ frames_days = {days}, readings_days = 90 }}\n"
    said = _refusal(PLAN.replace("[[stage]]", f"{keep}[[stage]]", 1))
    assert "keep.readings_days: readings are never let go" in said
    assert f"write keep = {{ frames_days = {days} }}" in said
    assert (
        parse_plan(
            PLAN.replace("[[stage]]", f"keep = {{ frames_days = {days} }}\n[[stage]]", 1),
            "plan.toml",
        ).keep.frames_days
        == days
    )
    assert "write keep = { frames_days = 14 }" in _refusal(
        PLAN.replace("[[stage]]", "keep = { events_days = 90 }\n[[stage]]", 1)
    )


def test_a_plan_without_stages_is_refused():
    """A campaign of nothing."""
    assert "stage" in _refusal('format = 1\nname = "n"\nstage = []\n')
    assert "stage: this key is missing" in _refusal('format = 1\nname = "n"\n')


def test_what_the_joint_does_not_report_is_never_waited_for():
    """Cycles without position, torque or current; a temperature of a joint that has none."""
    bench = heat_bench(["speed_rad_s", "voltage_V"])
    head = 'format = 1\nname = "n"\n[[stage]]\nname = "s"\n'
    assert "no cycle would be found and the plan would never end" in _refusal(
        f"{head}cycles = 3\n", bench
    )
    assert "'a' reports no temperature of its own" in _refusal(
        f"{head}until = {{ below_degC = 30.0 }}\n", bench
    )
    stated = parse_plan(
        f'{head}cycles = 3\n[cycle]\nchannel = "speed_rad_s"\nabove = 1.0\n', "plan.toml"
    )
    check_plan_for_bench(stated, bench, "plan.toml")
    assert plan_joint(stated, bench, "plan.toml").name == "a"


def test_ambient_may_be_a_sensor_of_the_bench():
    """Beside the joint."""
    bench = bench_from_texts(
        scenario_bench(channel="x").text
        + '\n[[sensor]]\nname = "room"\nchannels = ["temperature_ambient_degC"]\nhold_s = 60.0\n',
        scenario_bench(channel="x").layout_texts,
        where="bench.toml",
    )
    text = PLAN.replace("equilibrium_K_per_h = 2.0", "ambient_within_K = 1.0, for_s = 1800.0")
    check_plan_for_bench(parse_plan(text, "plan.toml"), bench, "plan.toml")


def test_the_command_answers_in_words_and_json(tmp_path):
    """And says that a bench would tell more."""
    path = tmp_path / "plan.toml"
    path.write_text(PLAN, encoding="utf-8")
    told = run("plan", "check", str(path))
    assert "2. load lasts 50,000 cycles" in told.stdout
    assert "--bench BENCH" in told.stdout
    answer = json.loads(run("plan", "check", str(path), "--json").stdout)
    assert [stage["ends_by"] for stage in answer["stages"]] == [
        "equilibrium_K_per_h",
        "cycles",
        "below_degC",
    ]
