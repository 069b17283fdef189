"""What the frames of each bus show, whatever they mean: gathered while a log is read, judged by the checks.

`gather` takes up blocks of frames (`walk` is its compiled part, `frame_bits` the length of each frame on the wire) and
ends with the `facts`: for each bus and identifier counts, the longest silences, and windows of consecutive frames
spread over the whole log. What follows from them are pure functions: `bit_rate`, `load`, `period`, `error_frames`,
`response_time`.
"""
