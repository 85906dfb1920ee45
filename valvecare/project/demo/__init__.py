"""The invented demo world: three plants, 32 valves, their history and their pushed readings.

Everything in it is invented: names, plants, designs, serials, people, prices, dates, failures.
"""
