"""What a specimen file states of one unit: frozen values with units in their names.

The engine's file reader fills these classes: the key in the file is the field's name without its unit
(``noise_figure: 8 dB`` fills ``noise_figure_db``). Defaults are a sound 40-channel FM mobile, so that a specimen
file states only in what it differs.
"""
