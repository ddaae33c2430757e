"""Lists that come as lines of text: a radio's exported channels (written back byte for byte), units, benches, readings of a gauge study.

Imports files and units; of inputs the channel plan and `names`.
"""
