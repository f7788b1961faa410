"""Broken files through every reader, in a guarded process. `python -m fuzz 1000` prints the table.

originals    whole files of every kind
fields       where the formats keep counts and lengths
mutations    a seed → a broken copy
readers      what is tried with it
guard        the process with limited memory and an alarm
hunt         many seeds, and what came of them
"""
