"""What several commands share: their options, where they write, and what they name. Imports click, and nothing else of cli."""
