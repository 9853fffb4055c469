"""A simulated worm-bin lab that publishes what its probes would say.

physics/               pure   trays with feed pockets and worms, drainage, room, brewer: state in, state out
caring, brewing        pure   what people do to trays and sumps; when a brew begins and ends
harms, states          pure   the truth: harms with the time by which to know, and states
faults                 pure   what goes wrong with the lab
probes, probe_faults   pure   what a probe makes of the truth, and what goes wrong with it
scenario, ..._file     pure   a lab and what befalls it, as values; read from checked YAML
world, box, run        pure   the lab and its probes stepped through time; the same bytes for the same seed
payloads, senml, cbor  pure   what a message holds; recording: messages as lines; lab_file: the collector's lab.yaml
story, chart           pure   truth, readings and messages as a picture
publisher, playing,
plot, settings, cli    shell  MQTT, files, environment, command line

It shares no code with the collector: the formulas here are its own, so that each can show the other wrong.
"""

__version__ = "0.1.0"
