"""A whole plan, run by the engine itself against simulated controllers in virtual time, with faults and with judges."""
