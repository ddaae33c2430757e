"""Jobs that wait for a bench: their tables in PostgreSQL beside the store's, what is asked of them, and the fence under which a job ends.

Imports results and its store, and psycopg; no bench, no check, no run.
"""
