"""Arrays in, arrays out: no files, no schedulers; every loop releases the interpreter lock."""
