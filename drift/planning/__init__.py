"""Planning: how large a study must be for what it is to show, checked by simulating the analysis it will get."""
