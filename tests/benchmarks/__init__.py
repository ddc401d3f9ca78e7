"""Benchmarks of whole runs: ratios of time against other ways, memory, growth and start-up.

Measured in November 2026 on two cores (AMD EPYC), two workers, warm files, least of three runs, 36
frames of 13.7 Mpx at 3200 ppi, before modules were moved into rooms:

- `convert`, survey included: 16.5 s by wall, 28.1 s of processor, 403 MB.
- floor (read, copy, the same packing): 5.4 s, 9.7 s; 4.5 to 8.8 s with the page cache.
- plain script (6 frames, times 6): 738 s; pyvips recipe: 144 s.
- one strip from 9 to 1346 Mpx: 2.4 to 19.3 s, 324 to 430 MB. 1000 small scans: 466 s, 651 MB.

Choices that were measured, in Mpx a second and thread where nothing else is said:

- archives by ISA-L deflate, level 1, with predictor: 145 to 160, grain to 0.87; libdeflate 10.
- one compiled pass over 512 pixels, light to scene 300, print to codes 185; a numpy chain 8.
- scans reduced by a compiled sum of codes 730 with reading; OpenCV on light in bands 190.
- straightening by an 8-tap Kaiser sinc 260, PSNR 78 / 71 / 56 dB at 0.2 / 0.25 / 0.35 cycles a
  pixel; OpenCV cubic 52 / 52 / 46 dB at 119, Lanczos-4 61 / 60 / 57 at 24.
- PNG by ISA-L and a compiled unfilter 240 MB/s of codes; libpng 140. XXH3 11 GB/s; SHA-256 2.
- own finder of charts: corners off by 0.01 to 0.03 patches, 0.04 s a frame; OpenCV's 0.2 and 0.2 s.
"""
