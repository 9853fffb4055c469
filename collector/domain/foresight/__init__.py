"""How far what was foretold may be trusted."""
