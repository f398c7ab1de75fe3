"""One module a group of commands. Each imports only typer at the top: `--help` must be quick."""
