"""A simulated worm-bin lab that publishes what its probes would say.

physics/         pure   trays, room, brewer: state in, state out
probes, faults   pure   what a probe makes of the truth, and what goes wrong with either
scenario(_file)  pure   a lab and what befalls it, as values; read from checked YAML
world, run       pure   the lab stepped through time; packs and truth, the same bytes for the same seed
publisher, cli   shell  MQTT, command line

It shares no code with the collector: the formulas here are its own, so that each can show the other wrong.
"""
