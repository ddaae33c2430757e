"""What a person wrote for a run, as frozen models: bench, batch, gauge study, model of radio, channel plan, published limits.

What these files are made of stands in rooms of its own: `bench_parts`, `lists` and `names`. Imports files, units and the names that drivers
and profiles have; no bench that is open.
"""
