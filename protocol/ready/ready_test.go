package ready

import (
	"testing"

	"tapledger/protocol"
)

// TestReadyDocumentsHaveNoFault reads every ready document the way a bench does.
func TestReadyDocumentsHaveNoFault(t *testing.T) {
	_, faults := protocol.ReadAll(Files(), protocol.NewLibrary())
	for _, f := range faults {
		t.Error("\n" + f.Text())
	}
}
