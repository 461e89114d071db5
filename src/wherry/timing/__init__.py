"""How long what a plan asks takes, how old its values get, and how much room is left. Pure computation.

``budget`` is the entry; ``conditions`` holds what the plan does not say (network, our own computer, measurements).
"""
