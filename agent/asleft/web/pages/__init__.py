"""One module a page: a view made of what the desk says, and what a browser may ask of it."""
