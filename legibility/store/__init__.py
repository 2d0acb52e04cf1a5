"""The herd's record: one SQLite file that every reading, scan and human look ends in.

Open it with :func:`legibility.store.database.open_herd`; each table has its own module. Only this
subpackage knows SQL.
"""
