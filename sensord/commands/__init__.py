"""The commands of `sensord`, one module a verb or a family of verbs; each is imported only when it is called."""
