"""Speed, each as a ratio to a reference measured in the same run: `python -m tests.benchmarks`."""
