"""What ``recorder --help`` says at 80 columns and more, so that it need not load the library that lays it out.

tests/cli/test_start.py holds it against the command group; when that changes, its failure shows the new text.
"""

HELP = """\
Usage: recorder [OPTIONS] [COMMAND] [ARGS]...

  Record and judge pressure tests of vehicle cooling systems.

  Without a command, the window opens. Not a safety device: the vehicle
  maker's limits, local codes and trained practice come first.

Options:
  --version   Show the version and exit.
  -h, --help  Show this message and exit.

Commands:
  try        The whole job with no hardware, on the simulated tester.
  record     Record and judge one test from an adapter.
  judge      Judge recordings again from their traces.
  picture    Draw a recording as an annotated picture.
  sheet      Make the customer's sheet of a recording.
  audit      Check every recording below a folder.
  jobs       One table of all jobs in a folder.
  export     Write recordings in another format.
  adapter    Is this adapter fit to use?
  conform    Does an adapter speak the wire format?
  calibrate  Make a calibration from reference pressures.
"""
