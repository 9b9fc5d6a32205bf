"""A process that has everything loaded and forks one job a line, so that jobs start at once."""

from __future__ import annotations

import subprocess
import sys


class Nursery:
    """Runs a script that reads a line a job and answers with whole numbers, a line each."""

    def __init__(self, script: str) -> None:
        command = [sys.executable, "-c", script]
        self.process = subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )

    def send(self, *words: object) -> None:
        assert self.process.stdin is not None
        self.process.stdin.write("\t".join(map(str, words)) + "\n")
        self.process.stdin.flush()

    def answer(self) -> int:
        assert self.process.stdout is not None
        return int(self.process.stdout.readline())

    def close(self) -> None:
        assert self.process.stdin is not None
        self.process.stdin.close()
        self.process.wait()
