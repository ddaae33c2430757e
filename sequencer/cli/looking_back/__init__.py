"""Commands that look at stored runs; they open no bench."""
