"""What will happen: draws, inlet and outdoor temperature, PV surplus; and how good it was.

Pure: nothing here reads a clock, a socket, a file or a random source of its own.
"""
