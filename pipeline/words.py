"""What is said wherever marks or drills are advised."""

CAUTION = (
    "Takeovers are run at full speed: warm up, build the speed up in steps, keep the lanes clear, "
    "stop on pain. The coach, the competition's rules and local codes decide."
)

TENTH = (
    "0.1 s is about 1 m: a receiver who goes 0.1 s late or early shifts the pass as far as that."
)
