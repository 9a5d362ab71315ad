"""What the network knows, kept: bytes received, rows read from them, the clean record, releases.

The warehouse is one DuckDB file with the received bytes beside it. It knows rows and
findings as values; who judges rows, when that happens and who is written to is
decided elsewhere.
"""
