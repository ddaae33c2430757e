"""Measure one step: hand its check the side it asks for, try again after a fault that may pass, and judge what was found.

Imports people, the keeper's contract and the run's state; no terminal, and nothing that writes files.
"""
