package configs

import (
	"testing"
	"time"
)

func TestWindow(t *testing.T) {
	for _, bad := range []string{"", "22:00", "22:00-22:00", "25:00-06:00", "22:60-06:00", "22-6", "22:00-06:00-07:00", "a-b", "-22:00-06:00"} {
		if w, err := ParseWindow(bad); err == nil {
			t.Errorf("%q was read as %+v", bad, w)
		}
	}
	at := func(s string) time.Time {
		v, err := time.ParseInLocation("2006-01-02 15:04:05", s, time.UTC)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	night, err := ParseWindow("22:00–06:00")
	if err != nil || night.String() != "22:00-06:00" || night.Opens() != "22:00" {
		t.Fatalf("%v, %v", night, err)
	}
	lunch, err := ParseWindow("12:30-13:15")
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		w      Window
		now    string
		closes string // "" = shut
	}{
		{night, "2026-05-01 21:59:59", ""},
		{night, "2026-05-01 22:00:00", "2026-05-02 06:00:00"},
		{night, "2026-05-31 23:59:59", "2026-06-01 06:00:00"},
		{night, "2026-05-01 00:00:00", "2026-05-01 06:00:00"},
		{night, "2026-05-01 05:59:59", "2026-05-01 06:00:00"},
		{night, "2026-05-01 06:00:00", ""},
		{lunch, "2026-05-01 12:29:59", ""},
		{lunch, "2026-05-01 12:30:00", "2026-05-01 13:15:00"},
		{lunch, "2026-05-01 13:15:00", ""},
	} {
		closes, open := c.w.Closes(at(c.now))
		if open != (c.closes != "") || open && !closes.Equal(at(c.closes)) {
			t.Errorf("%s at %s: open %v until %v, want %q", c.w.String(), c.now, open, closes, c.closes)
		}
	}
	var always Window
	if closes, open := always.Closes(at("2026-05-01 12:00:00")); !open || !closes.IsZero() {
		t.Errorf("no window: open %v until %v", open, closes)
	}
}

// A night in which the clocks change ends at its hour on the wall.
func TestWindowWhenClocksChange(t *testing.T) {
	zone, err := time.LoadLocation("America/New_York")
	if err != nil {
		t.Skip("no time zones on this machine: ", err)
	}
	w := Window{22 * 60, 6 * 60}
	began := time.Date(2026, 3, 7, 22, 0, 0, 0, zone) // clocks go forward at 2:00 on 8 March 2026
	closes, open := w.Closes(began)
	if !open || closes.Hour() != 6 || closes.Sub(began) != 7*time.Hour {
		t.Errorf("open %v, closes %v after %v, want 06:00 after 7 h", open, closes, closes.Sub(began))
	}
}

func TestWatchValidate(t *testing.T) {
	if err := DefaultWatch().Validate(); err != nil {
		t.Error(err)
	}
	if err := (Watch{MaxLoad: -1}).Validate(); err == nil {
		t.Error("nonsense was accepted")
	}
}
