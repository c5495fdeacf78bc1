"""The drawing of both legs: what it shows, its shapes and marks, and the parts it is put together from."""
