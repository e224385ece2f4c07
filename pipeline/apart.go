package pipeline

import (
	"fmt"
	"os"
	"strings"

	"golang.org/x/text/unicode/norm"

	"cagebook/report"
)

// apart ends clips whose results would come to lie in the folder of another
// clip, because the disk of the output folder does not tell their names apart: cards, sticks and shares of
// other systems often hold Ada.mp4 and ada.mp4 to be one name, or two ways to write é.
// The first of them has the folder.
func apart(l *listing, out string) {
	first := map[string]string{}
	for i := range l.Clips {
		c := &l.Clips[i]
		if c.NoFolder {
			continue
		}
		folded := strings.ToLower(norm.NFC.String(c.Rel))
		other, taken := first[folded]
		if !taken {
			first[folded] = c.Rel
			continue
		}
		if !sameName(out, c.Rel, other) {
			continue
		}
		c.NoFolder, c.Outcome = true, &Outcome{State: report.Failed, Reason: fmt.Sprintf(
			"The disk of the output folder does not tell this name from %q, so that the results of both would lie in one folder; only that one was looked at. Rename one of the two, or choose an output folder on another disk.", other)}
	}
}

// sameName says whether the disk that holds a folder takes two names, which differ in
// their capitals or the way they are written, for one. It tries, with a name that differs in the same way.
var sameName = func(dir, a, b string) bool {
	f, err := os.CreateTemp(dir, tempPrefix+"*-Aé") // é as one sign
	if err != nil {
		return false // what is wrong with the folder shows when something is written to it
	}
	defer func() { _ = os.Remove(f.Name()) }() // the next run removes what stays
	name := f.Name()
	if f.Close() != nil {
		return false
	}
	end := "A"
	if norm.NFC.String(a) != norm.NFC.String(b) {
		end = "a"
	}
	if !strings.EqualFold(a, b) {
		end += norm.NFD.String("é") // as e with an accent behind it
	} else {
		end += "é"
	}
	_, err = os.Lstat(strings.TrimSuffix(name, "Aé") + end)
	return err == nil
}
