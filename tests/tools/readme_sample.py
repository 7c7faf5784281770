"""Write the README's sample output anew from the README's own first command.

python tests/tools/readme_sample.py
"""

from __future__ import annotations

import re
import shlex
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).parents[2]
README = ROOT / "README.md"
SAMPLE = re.compile(r"(<!-- sample -->\n+```text\n)(.*?)(\n```)", re.DOTALL)
COMMAND = re.compile(r"<!-- main job -->\n+```bash\n(.+)\n```")


def make_arguments() -> list[str]:
    """The arguments of the README's ``patternprep make``, without its output folder."""
    found = COMMAND.search(README.read_text(encoding="utf-8"))
    assert found, "README has no block marked 'main job'"
    words = shlex.split(found.group(1))
    return words[words.index("make") : words.index("--out")]


def fresh_sample() -> str:
    """What the command prints now, from its decisions down to its proof."""
    with tempfile.TemporaryDirectory(prefix="patternprep-readme-") as folder:
        done = subprocess.run(
            [sys.executable, "-m", "patternprep", *make_arguments(), "--out", f"{folder}/kit"],
            capture_output=True,
            text=True,
            check=True,
            cwd=ROOT,
        )
    return done.stdout[done.stdout.index("Decided") : done.stdout.index("\nKit\n")].rstrip()


def written_sample() -> str:
    """What the README shows."""
    found = SAMPLE.search(README.read_text(encoding="utf-8"))
    assert found, "README has no block marked 'sample'"
    return found.group(2)


def main() -> None:
    sample = fresh_sample()
    text = README.read_text(encoding="utf-8")
    README.write_text(SAMPLE.sub(lambda m: m[1] + sample + m[3], text), encoding="utf-8")


if __name__ == "__main__":
    main()
