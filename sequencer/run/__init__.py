"""Execute a plan, record it, and end it well.

`runner` and `record` are the two doors (`sequencer/reference/pages/library.md`); facts, events, state and interrupt are what the rooms
share: `people`, `measuring`, `bench_health`, `keeping`, `resuming`. `replay` goes through a run that was kept, `series` makes several
runs, `line` begins one with each scan. Imports planning, bench, checks and what lies below them; no screen.
"""
