"""The commands of `crowdfade`, a module each; `pipeline.command_line` loads one when it is called."""
