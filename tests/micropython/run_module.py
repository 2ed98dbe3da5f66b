"""Run by MicroPython: `micropython run_module.py FIRMWARE TESTS MODULE` runs every test_* of a module.

Prints one line a failure and a last line with the number of tests; exit status 1 when one failed.
"""

import sys


def main(firmware, tests, name):
    """Run the module's tests in the order of their names; the number that failed."""
    sys.path.insert(0, firmware)
    sys.path.insert(0, tests)
    module = __import__(name)
    failed = 0
    names = sorted([n for n in dir(module) if n.startswith("test_")])
    for test in names:
        try:
            getattr(module, test)()
        except Exception as error:
            failed += 1
            print("FAILED", name, test)
            sys.print_exception(error)
    print("%d tests, %d failed" % (len(names), failed))
    return failed


if __name__ == "__main__":
    sys.exit(1 if main(sys.argv[1], sys.argv[2], sys.argv[3]) else 0)
