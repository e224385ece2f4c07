package main

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"os"
)

// turnMatrix are a, b, c, d of the display matrix (ISO/IEC 14496-12, tkhd) that
// turns the stored picture clockwise by a number of degrees.
var turnMatrix = map[int][4]int32{90: {0, 1, -1, 0}, 180: {-1, 0, 0, -1}, 270: {0, -1, 1, 0}}

// setRotation writes the display matrix of the first track of an MP4 or MOV
// file, as a phone does: ffmpeg 5.1 writes none from the command line.
func setRotation(path string, degrees int) error {
	m, ok := turnMatrix[degrees]
	if !ok {
		return fmt.Errorf("%s: cannot store a turn of %d°", path, degrees)
	}
	data, err := os.ReadFile(path)
	if err != nil {
		return err
	}
	i := bytes.Index(data, []byte("tkhd"))
	if i < 0 || i+4+84 > len(data) || data[i+4] != 0 {
		return fmt.Errorf("%s: no track header of version 0", path)
	}
	at := i + 4 + 40 // after version, flags, times, ids, duration, layer, group, volume
	for k, v := range [9]int32{m[0] << 16, m[1] << 16, 0, m[2] << 16, m[3] << 16, 0, 0, 0, 1 << 30} {
		binary.BigEndian.PutUint32(data[at+4*k:], uint32(v))
	}
	return os.WriteFile(path, data, 0o644)
}
