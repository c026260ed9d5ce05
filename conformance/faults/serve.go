package faults

import (
	"context"
	"fmt"
	"log/slog"
	"os"
	"strings"
	"time"

	"github.com/hashicorp/go-hclog"
	goplugin "github.com/hashicorp/go-plugin"
	"google.golang.org/grpc"

	adapterv1 "perch/proto/adapter/v1"
	"perch/sdk"
)

// Variable names the fault to a program that serves the adapter.
const Variable = "PERCH_FAULT"

// Environment is what a program needs to serve the adapter with a fault. folder is for its locks.
func Environment(fault, folder string) []string {
	return []string{Variable + "=" + fault, locks + "=" + folder}
}

// Serve serves the adapter with a fault, and does not return. What is wrong before the adapter is asked, and what it would
// take an SDK of its own to get wrong, is done here.
func Serve(fault string) {
	switch fault {
	case "prints_first":
		fmt.Println("the adapter of faults, welcome")
	case "waits_for_host":
		if os.Getenv(sdk.Handshake().MagicCookieKey) == "" {
			time.Sleep(time.Hour)
		}
	}
	switch fault {
	case "lingers", "newest_version", "no_summary", "refuses_right", "takes_wrong", "takes_unknown", "takes_missing":
		careless(fault)
	default:
		sdk.Serve(Adapter(fault))
	}
	os.Exit(0)
}

// careless is sdk.Serve without its care.
func careless(fault string) {
	log := slog.New(slog.NewJSONHandler(os.Stderr, nil))
	served := goplugin.PluginSet{sdk.PluginName: &sdk.Plugin{Adapter: Adapter(fault), Log: log}}
	versions := map[int]goplugin.PluginSet{sdk.ProtocolVersion: served}
	if fault == "newest_version" {
		versions[1000] = served
	}
	goplugin.Serve(&goplugin.ServeConfig{
		HandshakeConfig: sdk.Handshake(), VersionedPlugins: versions, Logger: hclog.NewNullLogger(),
		GRPCServer: func(o []grpc.ServerOption) *grpc.Server {
			return grpc.NewServer(append(o, grpc.UnaryInterceptor(func(ctx context.Context, request any, _ *grpc.UnaryServerInfo, handle grpc.UnaryHandler) (any, error) {
				answer, err := handle(ctx, request)
				if r, ok := answer.(*adapterv1.ValidateSettingsResponse); ok && err == nil {
					r.SetFaults(judged(fault, request.(*adapterv1.ValidateSettingsRequest).GetSettings(), r.GetFaults()))
				}
				return answer, err
			}))...)
		},
	})
	if fault == "lingers" {
		time.Sleep(time.Hour)
	}
}

// judged are the faults that an adapter finds that is wrong about settings.
func judged(fault string, settings map[string]string, right []*adapterv1.SettingFault) (out []*adapterv1.SettingFault) {
	if _, given := settings["gain"]; fault == "refuses_right" && given && len(right) == 0 {
		return []*adapterv1.SettingFault{adapterv1.SettingFault_builder{Key: "gain", Message: "is not wanted"}.Build()}
	}
	for _, f := range right {
		unknown, missing := strings.Contains(f.GetMessage(), "is unknown"), strings.Contains(f.GetMessage(), "is required")
		if fault == "takes_unknown" && unknown || fault == "takes_missing" && missing || fault == "takes_wrong" && !unknown && !missing {
			continue
		}
		out = append(out, f)
	}
	return out
}
