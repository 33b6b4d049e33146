package bench

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"tapledger/audit"
	"tapledger/runner"
)

func TestAttachments(t *testing.T) {
	b := simulated(t, "attach")
	run := openRun(t, b)
	data := []byte("\xff\xd8\xff a photo with a place in it")
	s, err := b.Seal(SealSpec{Data: data, Name: "the label"})
	must(t, err)
	if s.Attachment.Class != ClassPrivate || s.Attachment.Media != "image/jpeg" {
		t.Errorf("%+v", s.Attachment)
	}
	open, err := b.Seal(SealSpec{Data: []byte("a drawing"), Class: ClassPublic, Name: "the set-up"})
	must(t, err)
	for _, bad := range []SealSpec{{Data: data, Class: "secret"}, {}} {
		if _, err := b.Seal(bad); err == nil {
			t.Errorf("%+v was sealed", bad)
		}
	}
	if _, err := os.Stat(filepath.Join(b.Dir, attachmentsDir)); err == nil {
		t.Error("a file was kept before any record names it")
	}
	_, _, err = b.Note(run, "nowhere", "refused", s)
	refused(t, err, `there is no step "nowhere"`)
	if _, err := os.Stat(filepath.Join(b.Dir, attachmentsDir)); err == nil {
		t.Error("a file was kept for a record that was refused")
	}
	_, st, err := b.Note(run, "", "photos", s, open)
	must(t, err)
	for _, r := range st.Records {
		if strings.Contains(string(r.Body), "place in it") {
			t.Error("a record holds the bytes of an attachment")
		}
	}
	got, salt, err := b.Attached(s.Attachment.Commitment)
	if err != nil || string(got) != string(data) || len(salt) != 16 || audit.Commitment(salt, got) != s.Attachment.Commitment {
		t.Errorf("%q %x %v", got, salt, err)
	}
	public, err := b.publicAttachments([]string{run})
	must(t, err)
	if len(public) != 2 {
		t.Errorf("an edition would take %d files, want the public one and its salt", len(public))
	}
	for name, b := range public {
		if strings.Contains(string(b), "place in it") {
			t.Errorf("%s is the private photo", name)
		}
	}
	name := filepath.Join(b.Dir, attachmentsDir, strings.TrimPrefix(s.Attachment.Commitment, "sha256:"))
	must(t, os.WriteFile(name, []byte("another"), 0o600))
	v, err := b.Verify(VerifyOptions{})
	must(t, err)
	if v.Good() || v.Faults[0].Code != "attachment_changed" {
		t.Errorf("a changed file: %+v", v.Faults)
	}
	must(t, os.Remove(name))
	if v = good(t, b); v.Attachments.Withheld != 1 || v.Attachments.Here != 1 {
		t.Errorf("%+v", v.Attachments)
	}
}

func TestKeepCheckpoint(t *testing.T) {
	b := simulated(t, "keep")
	run := openRun(t, b)
	text, sig, err := b.Checkpoint()
	must(t, err)
	file := audit.JoinCheckpoint(text, sig)
	note(t, b, run, "later")
	by, err := b.KeepCheckpoint(file)
	if err != nil || by != "mk" {
		t.Errorf("signed by %s, %v", by, err)
	}
	_, err = b.KeepCheckpoint(text)
	refused(t, err, "has no signature")
	_, err = b.KeepCheckpoint(audit.JoinCheckpoint([]byte(strings.Replace(string(text), "records 1", "records 2", 1)), sig))
	if err == nil {
		t.Error("an altered checkpoint was kept")
	}
	other := simulated(t, "keep") // the same keys, another history
	openRun(t, other)
	note(t, other, mustRun(t, other), "x")
	_, err = other.AddPerson("rv", "")
	must(t, err)
	text, sig, err = other.Checkpoint()
	must(t, err)
	_, err = b.KeepCheckpoint(audit.JoinCheckpoint(text, sig))
	var since *SinceBroken
	if !errors.As(err, &since) {
		t.Errorf("a checkpoint of another ledger: %v", err)
	}
	v := good(t, b)
	if v.Changes < 3 {
		t.Errorf("%+v", v.Report)
	}
}

func mustRun(t *testing.T, b *Bench) string {
	t.Helper()
	run, err := b.Run("alder-1")
	must(t, err)
	return run
}

func TestSampleIDsComeFromACheckpoint(t *testing.T) {
	b := simulated(t, "ids")
	run := openRun(t, b)
	_, _, err := b.HandOver(run, HandOverSpec{To: "brook-lab"})
	refused(t, err, "there is no sample to pass on")
	_, _, err = b.HandOver(run, HandOverSpec{To: "brook-lab", Draws: []string{"leak_check"}})
	refused(t, err, "is no draw of this run")
}

func TestClock(t *testing.T) {
	b := simulated(t, "clock")
	before, err := b.Now()
	must(t, err)
	openRun(t, b)
	after, err := b.Now()
	must(t, err)
	if after.Sub(before).String() != "1s" {
		t.Errorf("a writing call moved the clock by %s", after.Sub(before))
	}
	_, _, err = b.OpenRun(OpenSpec{Unit: "nobody", Protocol: "short"})
	refused(t, err, `no unit "nobody"`)
	if now, _ := b.Now(); !now.Equal(after) {
		t.Error("a refused call moved the clock")
	}
	to, err := b.SetClock("+8h")
	must(t, err)
	if to.Sub(after).String() != "8h0m0s" {
		t.Errorf("moved to %s", to)
	}
	for _, bad := range []string{"+soon", "yesterday", "2020-01-01T00:00Z", "+-8h", "08:00"} {
		_, err := b.SetClock(bad)
		var r *runner.Refusal
		if !errors.As(err, &r) {
			t.Errorf("%q: %v", bad, err)
		}
	}
	must(t, os.WriteFile(filepath.Join(b.Dir, clockFile), []byte("soon\n"), 0o644))
	_, err = b.Now()
	refused(t, err, "is not a time")
	must(t, os.Remove(filepath.Join(b.Dir, clockFile)))
	_, err = b.Now()
	refused(t, err, "is missing")
}

func TestRunNames(t *testing.T) {
	b := simulated(t, "names")
	one := openRun(t, b)
	two, _, err := b.OpenRun(OpenSpec{Unit: "alder-1", Protocol: "short@1.0.0", Label: "second"})
	must(t, err)
	for name, want := range map[string]string{one: one, two: two, "second": two, one[len(one)-4:]: one} {
		if got, err := b.Run(name); got != want || err != nil {
			t.Errorf("%s: %s, %v; want %s", name, got, err, want)
		}
	}
	_, err = b.Run("alder-1")
	refused(t, err, `"alder-1" could be`)
	_, err = b.AbandonRun(one, "enough")
	must(t, err)
	if got, _ := b.Run("alder-1"); got != two {
		t.Errorf("the run that goes on is meant: %s", got)
	}
	_, err = b.Run("beech")
	refused(t, err, `no run "beech"`)
}

func TestLooksPrivate(t *testing.T) {
	for text, want := range map[string]string{
		"write to me@example.org": "e-mail", "ring 0123 456 789": "telephone", "7 Mill Street, 2nd floor": "address",
		"pressure 3.1 bar at 09:14": "", "lot B-1187, 250 mL": "", "@ 25 degrees": "", "street works outside": "", "record 12345678": "",
	} {
		got := looksPrivate(text)
		if want == "" && got != "" || want != "" && !strings.Contains(got, want) {
			t.Errorf("%q: %q, want %q", text, got, want)
		}
	}
}

func TestHoldsAcid(t *testing.T) {
	for text, want := range map[string]bool{
		"nitric acid, pH < 2": true, "HNO3": true, "none; the laboratory acidifies within 14 d": false, "sodium thiosulfate": false, "ascorbic acid and HCl": true,
	} {
		if holdsAcid(text) != want {
			t.Errorf("%q: %v", text, !want)
		}
	}
}

func TestFind(t *testing.T) {
	b := simulated(t, "find")
	deep := filepath.Join(b.Dir, "documents", "units")
	must(t, os.MkdirAll(deep, 0o755))
	if got, err := Find(deep); err != nil || got != b.Dir {
		t.Errorf("%s, %v", got, err)
	}
	if _, err := Find(filepath.Dir(b.Dir)); !errors.Is(err, ErrNoBench) {
		t.Errorf("above the bench: %v", err)
	}
	_, err := Create(deep, CreateOptions{ID: "other", Person: "mk"})
	refused(t, err, "there is a bench in")
}
