"""The demo club's generator: invented runners whose drift is known because it was planted.

`python -m data.generator`, from the top of the repository, writes `data/club/` and `data/truth.csv` again. Nothing here
imports the pipeline, so that what the pipeline finds can be held against a truth that it had no part in.
"""
