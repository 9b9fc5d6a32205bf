"""One browser for all the tests: a second one in the same process does not start."""

from tests.browser import chromium

__all__ = ["chromium"]
