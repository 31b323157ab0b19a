"""Run the page's modules without a page: in the node that comes with the browser's driver."""

from __future__ import annotations

import json
import subprocess
import tempfile
from pathlib import Path

from playwright._impl._driver import compute_driver_executable

from tapecalc.live.modules import joined

NODE = str(compute_driver_executable()[0])


def run(modules, script, given=None, *, seconds=120):
    """Run a script behind joined modules, their names with spaces between, and give what it returns.

    `given` is there by that name. The script is the body of a function, which may wait for something, e.g.
    ``return given.map(([d, v]) => delayFromSpacing(d, v))``.
    """
    text = f"""{joined(*modules.split())}
const given = JSON.parse(require("node:fs").readFileSync(0, "utf8"));
(async () => {{ {script} }})().then((result) =>
  process.stdout.write(JSON.stringify(result), () => process.exit()));
"""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "script.cjs"
        path.write_text(text, encoding="utf-8")
        done = subprocess.run(
            [NODE, str(path)],
            input=json.dumps(given),
            capture_output=True,
            text=True,
            timeout=seconds,
            check=False,
        )
    assert done.returncode == 0, done.stderr[-2000:]
    return json.loads(done.stdout)
