"""One module a command; each has ``run(arguments) -> exit code`` and is loaded when it is called."""
