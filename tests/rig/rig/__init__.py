"""The station in a machine of its own, in QEMU. What is tried stands in the modules beside this one."""
