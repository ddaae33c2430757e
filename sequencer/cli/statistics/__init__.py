"""The commands that ask whether the measuring, the rule and the sample are good enough."""
