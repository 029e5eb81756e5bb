"""How a library of an older version becomes one of this version."""
