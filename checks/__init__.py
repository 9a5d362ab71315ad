"""What may be wrong: the rule catalogue, the contract of the clean table, and the reasons given.

Rules run as set-based SQL over relations in a DuckDB connection that the caller
brings. Nothing here knows a database file, a folder or a schedule.
"""
