"""`python -m ellipsefit` is the same as `ellipsefit`."""

from ellipsefit.cli import main

if __name__ == "__main__":
    main()
