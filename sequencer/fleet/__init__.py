"""Many benches that take jobs from one queue: what a job needs and a bench can, who carries jobs to a bench, the lease, the worker's loop.

Imports planning and whatever is below it, and psycopg and procrastinate; no command, no screen. Who measures is handed in.
"""
