"""A configuration with two joints that nothing is known of yet, as `lugwatch init` leaves one."""

TWO = """[boat]
name = "Tern"
[[probe]]
id = "probe_1"
source = "onewire"
address = "28-0123456789ab"
[[probe]]
id = "probe_2"
source = "onewire"
address = "28-0123456789ac"
[[current]]
id = "alternator"
source = "serial"
device = "/dev/x"
transducer = "A"
[[current]]
id = "house"
source = "serial"
device = "/dev/x"
transducer = "H"
# one
[[joint]]
id = "probe_1"
probe = "probe_1"
current = "alternator"
air = "none"
# two
[[joint]]
id = "probe_2"
probe = "probe_2"
current = "alternator"
air = "none"
"""
