"""Recording: CAN adapters and serial consoles onto one clock, into a folder that the other commands read as one log.

A source (`source`) has a thread that reads its port (`can_port`, `socketcan_port`, `serial_port`) and hands batches to
the queue (`intake`). One thread (`recorder`) takes them out, writes them (`writers`) and describes the recording
(`drive_file`). What is shown meanwhile is worked out in another process (`live`), so that it can never hold up a port.
Nothing here sends a frame; a console is written to only where `--send-once` asks for it.
"""
