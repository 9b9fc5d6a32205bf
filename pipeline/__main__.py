"""`python -m pipeline` does what `backtoback` does."""

from pipeline.cli import main

if __name__ == "__main__":
    main()
