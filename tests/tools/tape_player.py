"""Play a sound through the page's engine, in node, and give back what comes out."""

import base64
from dataclasses import dataclass
from typing import Any

import numpy as np
import scripts

RATE, BLOCK = 48000, 128

_SCRIPT = """
const dry = new Float32Array(new Uint8Array(Buffer.from(given.dry, "base64")).buffer);
const out = new Float32Array(dry.length);
const engine = new Engine(given.facts);
engine.early(given.early);
const moves = given.moves;
const reports = [];
let next = 0;
for (let at = 0; at < dry.length; at += 128) {
  for (; next < moves.length && moves[next][0] * 48000 <= at; next++) {
    const [, setting, early] = moves[next];
    engine.set(setting);
    if (early !== undefined) engine.early(early);
  }
  engine.process(dry.subarray(at, at + 128), out.subarray(at, at + 128));
  if (given.every > 0 && (at / 128 + 1) % given.every === 0) reports.push(engine.report());
}
return { out: Buffer.from(out.buffer).toString("base64"), reports };
"""


@dataclass(frozen=True)
class Played:
    """What came out, and the reports on the way."""

    out: np.ndarray
    reports: list[dict[str, Any]]


def bare(facts, **changes):
    """Return the setting of the file as the engine of the sounds has it: no dry sound, even, and no hiss."""
    return {**facts["setting"], "dry": False, "wobble": False, "hiss": False, **changes}


def play(facts, dry, moves, *, early=0.0, every=0):
    """Play whole blocks; `moves` are times in s and settings that hold from then on, the first from 0 on.

    A third value of a move is how much earlier, in s, what is heard is read.

    A report is asked for after each `every` blocks.
    """
    count = -(-len(dry) // BLOCK) * BLOCK
    samples = np.zeros(count, "<f4")
    samples[: len(dry)] = dry
    given = {
        "facts": facts,
        "dry": base64.b64encode(samples.tobytes()).decode(),
        "moves": moves,
        "early": early,
        "every": every,
    }
    result = scripts.run("engine", _SCRIPT, given)
    return Played(np.frombuffer(base64.b64decode(result["out"]), "<f4").astype(float), result["reports"])
