"""What `sensord checkup` looks at, a module a matter; each check yields findings and changes nothing."""
