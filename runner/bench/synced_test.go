package bench

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// A folder that the system says is shared is refused unless told otherwise,
// and nothing is left behind.
func TestSyncedFolderIsRefused(t *testing.T) {
	syncedFolder = func(string) (string, bool) { return "nfs4 file system at /net", true }
	t.Cleanup(func() { syncedFolder = func(string) (string, bool) { return "", false } })
	dir := filepath.Join(t.TempDir(), "bench")
	opt := CreateOptions{ID: "fern", Person: "mk", Simulated: true, Seed: "1", Options: Options{Home: t.TempDir()}}
	if _, err := Create(dir, opt); err == nil || !strings.Contains(err.Error(), "nfs4 file system at /net") {
		t.Errorf("Create says %v", err)
	}
	if _, err := os.Stat(dir); err == nil {
		t.Error("something was left behind")
	}
	opt.Synced = true
	if _, err := Create(dir, opt); err != nil {
		t.Errorf("told otherwise, Create says %v", err)
	}
}
