"""`python -m syncd` is the same as `syncd`."""

from syncd.cli.main import main

if __name__ == "__main__":
    main()
