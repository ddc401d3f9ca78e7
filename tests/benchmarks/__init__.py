"""Benchmarks of whole runs: ratios of time against other ways, memory, growth and start-up.

Measured in November 2026 on two cores (AMD EPYC), two workers, warm files, least of three runs,
frames of 13.3 Mpx at 3200 ppi:

- `convert`, survey included: 36 frames 12.8 s by wall, 22.5 s of processor, 452 to 474 MB; up to
  the first frame 5.1 s, after the last 0.07 s; 18 frames 8.1 s, 12.8 s, 458 MB.
- floor (read, copy, the same packing): 5.2 to 6.3 s and 9.4 to 11.4 s, as the disk has it (3.7 s
  and 6.1 s on another day); 3.3 to 3.7 s and 5.8 s.
- the first run of all, which compiles, takes 17 s more (measured earlier), and 446 to 483 MB.
- plain script (6 frames, times 6): 497 s; pyvips recipe: 118 s.
- one strip from 9 to 1346 Mpx: 2.4 to 19.3 s, 324 to 430 MB (measured earlier).
- memory of all processes: JPEG of 150 Mpx 495 MB, progressive 863, LZW in one strip and interlaced
  PNG 396 (measured earlier); two JPEGs at once 597. 100 small scans 469 and 1000 543; 661 while
  what was decoded of closed ones stayed until garbage was looked for. Camera raw 802.
- a small scan's survey takes 0.35 s of a thread, in some hundred steps of which none takes a tenth.
- a frame, ms a Mpx: read 1.3, straighten 2.5 (6 to 9 where it lies turned by a degree), colour 5.2,
  share picture 1.8, pack 6.1, write 1.7, share packed 1.2, hash 0.3, the rest 0.5.
- last, at a load of 10 to 14 but with priority, frames of 13.5 Mpx, least of five: 18 frames 7.1 s
  by wall, 10.0 s of processor, 440 MB; the floor 1.9 s and 2.7 s. 36 frames, earlier and alone on
  the machine: 12.1 s and 20 s.
- a strip with an infra-red plane and much dust (specks on 0.3 % of the picture), five rounds in
  turns: 6.8 s by wall, 9.6 s of processor, and 4.8 and 6.5 s without: 1.40 and 1.49 times
  as much; the code before 7.3 and 10.4 s. Then 535 MB, since a row of tiles is given back before
  the next is read, and 646 before. Its survey 0.61 s of a thread, without 0.42; a frame
  0.56 s, without 0.27, of which dust is found in 0.25, and laid in, in 0.03.
- 100 rolls of one small strip on a cluster of this machine: one worker 122 s, two 84 s, with 157 s
  of processor, 58 of them the command's; 121 s while no more than one roll was begun ahead. By
  threads 72 to 74 s and 499 to 560 MB, and 79 s and 463 MB then.
- asked to end before its first file, a run takes 0.1 s, 0.7 s at worst, at a load of 15 to 20.

Choices that were measured, in Mpx a second and thread where nothing else is said:

- archives by ISA-L deflate, level 1, with predictor: 145 to 160, grain to 0.87; libdeflate 10.
- one compiled pass over 512 pixels, light to codes 175; a numpy chain 8.
- a table in three dimensions with tetrahedral interpolation in its place: 550, and with a second
  one for the share picture about 300. With 65 to 97 steps along each axis, laid as the print's
  curve has them, it is within 0.02 CIEDE2000 of float64 for 99 in 100 pixels of a usual picture,
  but off by 0.06 in the middle in dark ones and by tens in saturated shadows, where the toes of
  the curves and the order of the channels bend; what is left for exact values takes what it saves.
- scans reduced by a compiled sum of codes 900 with reading in bands of 12 MB, 1200 in bands of 3;
  sums of a few thousand codes at a time are no gain on that. OpenCV on light in bands 190.
- straightening by an 8-tap Kaiser sinc 260, PSNR 78 / 71 / 56 dB at 0.2 / 0.25 / 0.35 cycles a
  pixel; OpenCV cubic 52 / 52 / 46 dB at 119, Lanczos-4 61 / 60 / 57 at 24.
- PNG by ISA-L and a compiled unfilter 240 MB/s of codes; libpng 140. XXH3 11 GB/s; SHA-256 2.
- colour of a band, alone and hot, ns a pixel: density 0.3, tables of curves 1.2, print 1.0, gamut
  0.1 to 1.1, as many colours are far from grey, encoding 0.5, codes 0.1, sums for the share picture
  0.8. Its nine logarithms and six powers are polynomials in whole vectors, 0.9 of it together;
  tables with an eighth of the entries: alike.
- of dust: tiles of 448 to 640 or 1024 pixels in place of 768 3 to 30 % slower; light as bands of 64
  rows, freed memory kept by the allocator (a third fewer page faults), and an infra-red plane read
  by a loop of its own for every fourth code: no gain that shows.
- 36 frames wait 1.3 s for fsync in workers, together, 0.6 of them for archives; 0.4 s beside them.
  18 frames without any fsync 0.3 s less by wall; with the files of a frame settled together, by a
  thread beside the workers, 0.1 s less (means of five pairs, two of them more): not kept.
- reading parts of rows in one compiled loop, in place of one call of Python a row: a third to a
  half fewer waits for Python's lock, no gain by wall; what the solve needs of libraries loaded
  while strips are surveyed: 0.1 s off the solve, no gain by wall. Three workers on two cores: 5 %
  slower; bands of 24 or 32 rows in place of 16: alike; threads that hand Python on after 1 ms in
  place of 5: 4 % less by wall (seven pairs, six of them less).
- own finder of charts: corners off by 0.01 to 0.03 patches, 0.04 s a frame; OpenCV's 0.2 and 0.2 s.

What is left above the floor, and why it stays. A frame of 13.5 Mpx takes 0.33 s of a thread: the
floor's packing and writing 0.14; colour 0.06 to 0.08, straightening 0.035, the share picture 0.015,
light from codes 0.025, each in whole vectors and near what memory and caches give; Python between
190 bands 0.03. Two threads do 1.65 times what one does, since they wait for Python's lock 280 times
a frame, 0.16 ms each; two processes would not, but each would load libraries and loops anew. These
take 1.5 s of processor a run, and 0.6 s by wall before the first survey. A strip's survey takes
0.42 s, 0.12 of them to read and reduce it. For 0.6 s more, until the roll is solved, a core is idle
most of the time, as no frame's colour is known before.
"""
