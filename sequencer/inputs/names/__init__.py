"""What a unit, a batch, a station or a person may be called: these words stand in file names, rows, on screens and in spreadsheets.

Imports files and problems; of inputs nothing outside this room.
"""
