"""What a sequence asks for, as people write it: limits, targets, the window of levels, marks of a meter, published tones and codes.

Imports files, inputs, units, uncertainty and the settings of a check; nothing else that checks share.
"""
