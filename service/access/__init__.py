"""Access: keys, who may do what, and the guard before every route."""
