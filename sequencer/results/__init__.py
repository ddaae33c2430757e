"""Result rows, their table, their store and what is exported of them."""
