"""Settings: how one is declared, its source, the rules in force, and what a result rests on."""
