"""How fast the page's engine plays, in node, against real time and against one head in the same run.

All times are CPU time, the least of five turns, one head and four in turn. Real time is a ratio too: seconds
of sound over seconds of work, on one core. Everything is on: response, limit, hiss, wobble, and the bumps.
"""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "tools"))

import scripts

from tapecalc.live.facts import playable_facts
from tapecalc.machine import example_machine, with_changes

SECONDS = 10  # of sound in one turn
TURNS = 5
REAL_TIME = 8  # times, at the least
FOUR = [
    {"spacing_mm": 41.5, "level_db": -3.0},
    {"spacing_mm": 62.25, "level_db": -6.0, "inverted": True},
    {"spacing_mm": 83.0, "feeds_return": False},
    {"spacing_mm": 124.5, "level_db": -9.0},
]
#: Play noise that fills the tape a little, and give the CPU time of each turn in s.
SCRIPT = """
const input = new Float32Array(128);
const output = new Float32Array(128);
const dice = new Dice(1);
const blocks = Math.round(given.seconds * 48000 / 128);
const engines = given.cases.map(({ facts, early }) => {
  const engine = new Engine(facts);
  engine.early(early);
  return engine;
});
const turn = (k) => {
  const { facts, moving } = given.cases[k];
  const before = process.cpuUsage();
  for (let block = 0; block < blocks; block++) {
    for (let i = 0; i < 128; i++) input[i] = 0.4 * (dice.throw() - 0.5);
    if (moving && block % 150 === 0) {
      const slow = block % 300 === 0;
      engines[k].set({ ...facts.setting, speed_ips: facts.speeds[Number(slow)].speed_ips });
    }
    engines[k].process(input, output);
  }
  const used = process.cpuUsage(before);
  return (used.user + used.system) / 1e6;
};
engines.forEach((_, k) => turn(k)); // until it is compiled
const times = engines.map(() => []);
for (let n = 0; n < given.turns; n++) engines.forEach((_, k) => times[k].push(turn(k)));
return times;
"""


def cases():
    """Name, facts, how early what is heard is read, and whether the speed is on the move."""
    one = playable_facts(example_machine())
    four = playable_facts(with_changes(example_machine(), {"playback_heads": FOUR}))
    return (
        ("one head", one, 0.0, False),
        ("four heads", four, 0.0, False),
        ("four heads, heard 20 ms early", four, 0.02, False),
        ("four heads, the speed on the move", four, 0.0, True),
    )


def run():
    """Print the table and return 1 if a bound is broken."""
    given = [{"facts": facts, "early": early, "moving": moving} for _, facts, early, moving in cases()]
    times = scripts.run("engine", SCRIPT, {"cases": given, "seconds": SECONDS, "turns": TURNS}, seconds=600)
    least = [min(turns) for turns in times]
    failed = False
    print(f"{'engine at 48 kHz, everything on':<38}{'x real time':>12}{'bound':>7}{'x one head':>12}")
    for (name, *_), seconds in zip(cases(), least, strict=True):
        fast = SECONDS / seconds
        failed |= fast < REAL_TIME
        print(f"{name:<38}{fast:>12.1f}{REAL_TIME:>7}{seconds / least[0]:>12.2f}")
    return int(failed)


if __name__ == "__main__":
    sys.exit(run())
