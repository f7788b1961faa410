"""One file per published standard, each formula with its clause; editions are never mixed.

Only what could be checked against a readable source is here. What would rest on memory alone is left out, and each
file's `LEFT_OUT` says so in words that go onto the sheets.
"""
