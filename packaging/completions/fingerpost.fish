# Print an optspec for argparse to handle cmd's options that are independent of any subcommand.
function __fish_fingerpost_global_optspecs
    string join \n config= json state-dir= v/verbose q/quiet h/help V/version
end

function __fish_fingerpost_needs_command
    # Figure out if the current invocation already has a command.
    set -l cmd (commandline -opc)
    set -e cmd[1]
    argparse -s (__fish_fingerpost_global_optspecs) -- $cmd 2>/dev/null
    or return
    if set -q argv[1]
        # Also print the command, so this can be used to figure out what it is.
        echo $argv[1]
        return 1
    end
    return 0
end

function __fish_fingerpost_using_subcommand
    set -l cmd (__fish_fingerpost_needs_command)
    test -z "$cmd"
    and return 1
    contains -- $cmd[1] $argv
end

complete -c fingerpost -n "__fish_fingerpost_needs_command" -l config -d 'The configuration file' -r -F
complete -c fingerpost -n "__fish_fingerpost_needs_command" -l state-dir -d 'Where state and audit log live, instead of `state_dir` of the configuration' -r -F
complete -c fingerpost -n "__fish_fingerpost_needs_command" -l json -d 'One JSON document on standard output; logs stay on standard error. Not for `daemon` and `echo`'
complete -c fingerpost -n "__fish_fingerpost_needs_command" -s v -l verbose -d 'Say more on standard error; twice for even more'
complete -c fingerpost -n "__fish_fingerpost_needs_command" -s q -l quiet -d 'Say only warnings and errors on standard error'
complete -c fingerpost -n "__fish_fingerpost_needs_command" -s h -l help -d 'Print help'
complete -c fingerpost -n "__fish_fingerpost_needs_command" -s V -l version -d 'Print version'
complete -c fingerpost -n "__fish_fingerpost_needs_command" -f -a "daemon" -d 'Run as the background service'
complete -c fingerpost -n "__fish_fingerpost_needs_command" -f -a "sync" -d 'Look now, write what is adrift, and exit; lifts a hold, where no service runs'
complete -c fingerpost -n "__fish_fingerpost_needs_command" -f -a "preview" -d 'Show what one round now would write; nothing is written anywhere'
complete -c fingerpost -n "__fish_fingerpost_needs_command" -f -a "locate" -d 'Ask the witnesses and show the vote'
complete -c fingerpost -n "__fish_fingerpost_needs_command" -f -a "status" -d 'Show what the running daemon last saw and did; without one, what it left behind'
complete -c fingerpost -n "__fish_fingerpost_needs_command" -f -a "audit" -d 'Show or check the audit log'
complete -c fingerpost -n "__fish_fingerpost_needs_command" -f -a "allowlist" -d 'Get the ranges of the edge in front of the home, write them, and compare them with the firewall\'s'
complete -c fingerpost -n "__fish_fingerpost_needs_command" -f -a "exposure" -d 'Show what the outside can see of your services, and what gives the home\'s address away'
complete -c fingerpost -n "__fish_fingerpost_needs_command" -f -a "echo" -d 'Be a witness for another household: tell whoever asks the address they come from'
complete -c fingerpost -n "__fish_fingerpost_needs_command" -f -a "rehearse" -d 'Play the whole job on this machine, with nothing installed and nothing configured'
complete -c fingerpost -n "__fish_fingerpost_needs_command" -f -a "config" -d 'Begin a configuration, check it, or print what is in force'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand daemon" -l config -d 'The configuration file' -r -F
complete -c fingerpost -n "__fish_fingerpost_using_subcommand daemon" -l state-dir -d 'Where state and audit log live, instead of `state_dir` of the configuration' -r -F
complete -c fingerpost -n "__fish_fingerpost_using_subcommand daemon" -l json -d 'One JSON document on standard output; logs stay on standard error. Not for `daemon` and `echo`'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand daemon" -s v -l verbose -d 'Say more on standard error; twice for even more'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand daemon" -s q -l quiet -d 'Say only warnings and errors on standard error'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand daemon" -s h -l help -d 'Print help'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand sync" -l config -d 'The configuration file' -r -F
complete -c fingerpost -n "__fish_fingerpost_using_subcommand sync" -l state-dir -d 'Where state and audit log live, instead of `state_dir` of the configuration' -r -F
complete -c fingerpost -n "__fish_fingerpost_using_subcommand sync" -l wait -d 'Then ask every authoritative server of the zone until all serve what was written'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand sync" -l one-round -d 'Act on the word of one round, also at an address that is new'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand sync" -l json -d 'One JSON document on standard output; logs stay on standard error. Not for `daemon` and `echo`'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand sync" -s v -l verbose -d 'Say more on standard error; twice for even more'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand sync" -s q -l quiet -d 'Say only warnings and errors on standard error'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand sync" -s h -l help -d 'Print help'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand preview" -l config -d 'The configuration file' -r -F
complete -c fingerpost -n "__fish_fingerpost_using_subcommand preview" -l state-dir -d 'Where state and audit log live, instead of `state_dir` of the configuration' -r -F
complete -c fingerpost -n "__fish_fingerpost_using_subcommand preview" -l exit-code -d 'Exit with 1 when something would change'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand preview" -l json -d 'One JSON document on standard output; logs stay on standard error. Not for `daemon` and `echo`'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand preview" -s v -l verbose -d 'Say more on standard error; twice for even more'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand preview" -s q -l quiet -d 'Say only warnings and errors on standard error'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand preview" -s h -l help -d 'Print help'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand locate" -l config -d 'The configuration file' -r -F
complete -c fingerpost -n "__fish_fingerpost_using_subcommand locate" -l state-dir -d 'Where state and audit log live, instead of `state_dir` of the configuration' -r -F
complete -c fingerpost -n "__fish_fingerpost_using_subcommand locate" -l json -d 'One JSON document on standard output; logs stay on standard error. Not for `daemon` and `echo`'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand locate" -s v -l verbose -d 'Say more on standard error; twice for even more'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand locate" -s q -l quiet -d 'Say only warnings and errors on standard error'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand locate" -s h -l help -d 'Print help'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand status" -l config -d 'The configuration file' -r -F
complete -c fingerpost -n "__fish_fingerpost_using_subcommand status" -l state-dir -d 'Where state and audit log live, instead of `state_dir` of the configuration' -r -F
complete -c fingerpost -n "__fish_fingerpost_using_subcommand status" -l follow -d 'Go on, and show what is new as it happens; with --json one document a line'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand status" -l json -d 'One JSON document on standard output; logs stay on standard error. Not for `daemon` and `echo`'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand status" -s v -l verbose -d 'Say more on standard error; twice for even more'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand status" -s q -l quiet -d 'Say only warnings and errors on standard error'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand status" -s h -l help -d 'Print help'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand audit; and not __fish_seen_subcommand_from show verify" -l config -d 'The configuration file' -r -F
complete -c fingerpost -n "__fish_fingerpost_using_subcommand audit; and not __fish_seen_subcommand_from show verify" -l state-dir -d 'Where state and audit log live, instead of `state_dir` of the configuration' -r -F
complete -c fingerpost -n "__fish_fingerpost_using_subcommand audit; and not __fish_seen_subcommand_from show verify" -l json -d 'One JSON document on standard output; logs stay on standard error. Not for `daemon` and `echo`'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand audit; and not __fish_seen_subcommand_from show verify" -s v -l verbose -d 'Say more on standard error; twice for even more'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand audit; and not __fish_seen_subcommand_from show verify" -s q -l quiet -d 'Say only warnings and errors on standard error'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand audit; and not __fish_seen_subcommand_from show verify" -s h -l help -d 'Print help'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand audit; and not __fish_seen_subcommand_from show verify" -f -a "show" -d 'Print entries, oldest first'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand audit; and not __fish_seen_subcommand_from show verify" -f -a "verify" -d 'Check the chain over all files that are kept'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand audit; and __fish_seen_subcommand_from show" -l record -d 'Only entries that name this record' -r
complete -c fingerpost -n "__fish_fingerpost_using_subcommand audit; and __fish_seen_subcommand_from show" -l since -d 'Only entries since this time (RFC 3339, such as 2026-11-24T08:00:00Z), or of this last span (such as 36h)' -r
complete -c fingerpost -n "__fish_fingerpost_using_subcommand audit; and __fish_seen_subcommand_from show" -l event -d 'Only entries of this event' -r -f -a "settled\t''
outage\t''
intent\t''
outcome\t''
hold\t''
release\t''
spread\t''
unspread\t''
found\t''
gone\t''
lease\t''
ranges\t''
clock\t''
set-aside\t''"
complete -c fingerpost -n "__fish_fingerpost_using_subcommand audit; and __fish_seen_subcommand_from show" -l config -d 'The configuration file' -r -F
complete -c fingerpost -n "__fish_fingerpost_using_subcommand audit; and __fish_seen_subcommand_from show" -l state-dir -d 'Where state and audit log live, instead of `state_dir` of the configuration' -r -F
complete -c fingerpost -n "__fish_fingerpost_using_subcommand audit; and __fish_seen_subcommand_from show" -l csv -d 'As comma-separated values (RFC 4180): number, time, event, and what it says'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand audit; and __fish_seen_subcommand_from show" -l plot -d 'Draw where the home has been in the last 90 days'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand audit; and __fish_seen_subcommand_from show" -l json -d 'One JSON document on standard output; logs stay on standard error. Not for `daemon` and `echo`'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand audit; and __fish_seen_subcommand_from show" -s v -l verbose -d 'Say more on standard error; twice for even more'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand audit; and __fish_seen_subcommand_from show" -s q -l quiet -d 'Say only warnings and errors on standard error'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand audit; and __fish_seen_subcommand_from show" -s h -l help -d 'Print help'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand audit; and __fish_seen_subcommand_from verify" -l config -d 'The configuration file' -r -F
complete -c fingerpost -n "__fish_fingerpost_using_subcommand audit; and __fish_seen_subcommand_from verify" -l state-dir -d 'Where state and audit log live, instead of `state_dir` of the configuration' -r -F
complete -c fingerpost -n "__fish_fingerpost_using_subcommand audit; and __fish_seen_subcommand_from verify" -l json -d 'One JSON document on standard output; logs stay on standard error. Not for `daemon` and `echo`'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand audit; and __fish_seen_subcommand_from verify" -s v -l verbose -d 'Say more on standard error; twice for even more'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand audit; and __fish_seen_subcommand_from verify" -s q -l quiet -d 'Say only warnings and errors on standard error'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand audit; and __fish_seen_subcommand_from verify" -s h -l help -d 'Print help'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand allowlist; and not __fish_seen_subcommand_from fetch compare render" -l config -d 'The configuration file' -r -F
complete -c fingerpost -n "__fish_fingerpost_using_subcommand allowlist; and not __fish_seen_subcommand_from fetch compare render" -l state-dir -d 'Where state and audit log live, instead of `state_dir` of the configuration' -r -F
complete -c fingerpost -n "__fish_fingerpost_using_subcommand allowlist; and not __fish_seen_subcommand_from fetch compare render" -l json -d 'One JSON document on standard output; logs stay on standard error. Not for `daemon` and `echo`'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand allowlist; and not __fish_seen_subcommand_from fetch compare render" -s v -l verbose -d 'Say more on standard error; twice for even more'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand allowlist; and not __fish_seen_subcommand_from fetch compare render" -s q -l quiet -d 'Say only warnings and errors on standard error'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand allowlist; and not __fish_seen_subcommand_from fetch compare render" -s h -l help -d 'Print help (see more with \'--help\')'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand allowlist; and not __fish_seen_subcommand_from fetch compare render" -f -a "fetch" -d 'Get the lists of every `[[edge]]` and take those that are believed; of the others stays what is in force'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand allowlist; and not __fish_seen_subcommand_from fetch compare render" -f -a "compare" -d 'Compare the ranges in force with whom the firewall lets in, address by address; exits with 1 when they differ, and with 69 when that cannot be told'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand allowlist; and not __fish_seen_subcommand_from fetch compare render" -f -a "render" -d 'Write the ranges in force into the files of [[allowlist.render]], and run their reload commands'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand allowlist; and __fish_seen_subcommand_from fetch" -l config -d 'The configuration file' -r -F
complete -c fingerpost -n "__fish_fingerpost_using_subcommand allowlist; and __fish_seen_subcommand_from fetch" -l state-dir -d 'Where state and audit log live, instead of `state_dir` of the configuration' -r -F
complete -c fingerpost -n "__fish_fingerpost_using_subcommand allowlist; and __fish_seen_subcommand_from fetch" -l accept -d 'Take lists that changed more than `may_lose` and `may_gain` let them: you have looked at them'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand allowlist; and __fish_seen_subcommand_from fetch" -l json -d 'One JSON document on standard output; logs stay on standard error. Not for `daemon` and `echo`'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand allowlist; and __fish_seen_subcommand_from fetch" -s v -l verbose -d 'Say more on standard error; twice for even more'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand allowlist; and __fish_seen_subcommand_from fetch" -s q -l quiet -d 'Say only warnings and errors on standard error'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand allowlist; and __fish_seen_subcommand_from fetch" -s h -l help -d 'Print help'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand allowlist; and __fish_seen_subcommand_from compare" -l config -d 'The configuration file' -r -F
complete -c fingerpost -n "__fish_fingerpost_using_subcommand allowlist; and __fish_seen_subcommand_from compare" -l state-dir -d 'Where state and audit log live, instead of `state_dir` of the configuration' -r -F
complete -c fingerpost -n "__fish_fingerpost_using_subcommand allowlist; and __fish_seen_subcommand_from compare" -l json -d 'One JSON document on standard output; logs stay on standard error. Not for `daemon` and `echo`'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand allowlist; and __fish_seen_subcommand_from compare" -s v -l verbose -d 'Say more on standard error; twice for even more'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand allowlist; and __fish_seen_subcommand_from compare" -s q -l quiet -d 'Say only warnings and errors on standard error'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand allowlist; and __fish_seen_subcommand_from compare" -s h -l help -d 'Print help'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand allowlist; and __fish_seen_subcommand_from render" -l config -d 'The configuration file' -r -F
complete -c fingerpost -n "__fish_fingerpost_using_subcommand allowlist; and __fish_seen_subcommand_from render" -l state-dir -d 'Where state and audit log live, instead of `state_dir` of the configuration' -r -F
complete -c fingerpost -n "__fish_fingerpost_using_subcommand allowlist; and __fish_seen_subcommand_from render" -l json -d 'One JSON document on standard output; logs stay on standard error. Not for `daemon` and `echo`'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand allowlist; and __fish_seen_subcommand_from render" -s v -l verbose -d 'Say more on standard error; twice for even more'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand allowlist; and __fish_seen_subcommand_from render" -s q -l quiet -d 'Say only warnings and errors on standard error'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand allowlist; and __fish_seen_subcommand_from render" -s h -l help -d 'Print help'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand exposure" -l config -d 'The configuration file' -r -F
complete -c fingerpost -n "__fish_fingerpost_using_subcommand exposure" -l state-dir -d 'Where state and audit log live, instead of `state_dir` of the configuration' -r -F
complete -c fingerpost -n "__fish_fingerpost_using_subcommand exposure" -l json -d 'One JSON document on standard output; logs stay on standard error. Not for `daemon` and `echo`'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand exposure" -s v -l verbose -d 'Say more on standard error; twice for even more'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand exposure" -s q -l quiet -d 'Say only warnings and errors on standard error'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand exposure" -s h -l help -d 'Print help (see more with \'--help\')'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand echo" -l http -d 'Answer HTTP there: / as text, /seen as JSON; may be repeated. An IPv6 wildcard takes both families: `[::]:8080`' -r
complete -c fingerpost -n "__fish_fingerpost_using_subcommand echo" -l stun -d 'Answer STUN there, over UDP; may be repeated. A machine with several addresses has to name each one' -r
complete -c fingerpost -n "__fish_fingerpost_using_subcommand echo" -l requests-per-minute -d 'Requests a minute of one client, an IPv4 address or an IPv6 /64; so many may come at once' -r
complete -c fingerpost -n "__fish_fingerpost_using_subcommand echo" -l all-requests-per-minute -d 'Requests a minute of all clients over HTTP, without a fifth of each one\'s share, which is its own; over STUN senders can be forged, and there each is counted alone' -r
complete -c fingerpost -n "__fish_fingerpost_using_subcommand echo" -l knocks-per-minute -d 'Knocks a minute for one client' -r
complete -c fingerpost -n "__fish_fingerpost_using_subcommand echo" -l all-knocks-per-minute -d 'Knocks a minute for all clients' -r
complete -c fingerpost -n "__fish_fingerpost_using_subcommand echo" -l accept-special -d 'Knock at clients in this special-purpose range all the same: labs; may be repeated' -r
complete -c fingerpost -n "__fish_fingerpost_using_subcommand echo" -l config -d 'The configuration file' -r -F
complete -c fingerpost -n "__fish_fingerpost_using_subcommand echo" -l state-dir -d 'Where state and audit log live, instead of `state_dir` of the configuration' -r -F
complete -c fingerpost -n "__fish_fingerpost_using_subcommand echo" -l knock-back -d 'Answer /knock?port=N: is TCP port N of the address you come from reachable? Never of another address. Probe only what is yours: whoever shares the address, as behind a carrier\'s NAT, is knocked at too'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand echo" -l json -d 'One JSON document on standard output; logs stay on standard error. Not for `daemon` and `echo`'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand echo" -s v -l verbose -d 'Say more on standard error; twice for even more'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand echo" -s q -l quiet -d 'Say only warnings and errors on standard error'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand echo" -s h -l help -d 'Print help'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand rehearse" -l config -d 'The configuration file' -r -F
complete -c fingerpost -n "__fish_fingerpost_using_subcommand rehearse" -l state-dir -d 'Where state and audit log live, instead of `state_dir` of the configuration' -r -F
complete -c fingerpost -n "__fish_fingerpost_using_subcommand rehearse" -l keep -d 'Leave the rehearsal running at its end, and print how to query it'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand rehearse" -l json -d 'One JSON document on standard output; logs stay on standard error. Not for `daemon` and `echo`'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand rehearse" -s v -l verbose -d 'Say more on standard error; twice for even more'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand rehearse" -s q -l quiet -d 'Say only warnings and errors on standard error'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand rehearse" -s h -l help -d 'Print help'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand config; and not __fish_seen_subcommand_from new check show" -l config -d 'The configuration file' -r -F
complete -c fingerpost -n "__fish_fingerpost_using_subcommand config; and not __fish_seen_subcommand_from new check show" -l state-dir -d 'Where state and audit log live, instead of `state_dir` of the configuration' -r -F
complete -c fingerpost -n "__fish_fingerpost_using_subcommand config; and not __fish_seen_subcommand_from new check show" -l json -d 'One JSON document on standard output; logs stay on standard error. Not for `daemon` and `echo`'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand config; and not __fish_seen_subcommand_from new check show" -s v -l verbose -d 'Say more on standard error; twice for even more'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand config; and not __fish_seen_subcommand_from new check show" -s q -l quiet -d 'Say only warnings and errors on standard error'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand config; and not __fish_seen_subcommand_from new check show" -s h -l help -d 'Print help'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand config; and not __fish_seen_subcommand_from new check show" -f -a "new" -d 'Write a first configuration, commented, with what the DNS server has to be told; on a terminal it asks what the options leave out'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand config; and not __fish_seen_subcommand_from new check show" -f -a "check" -d 'Check the configuration with the daemon\'s own code'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand config; and not __fish_seen_subcommand_from new check show" -f -a "show" -d 'Print every key in force and where its value came from; secrets are not shown'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand config; and __fish_seen_subcommand_from new" -l zone -d 'The zone that holds the names' -r
complete -c fingerpost -n "__fish_fingerpost_using_subcommand config; and __fish_seen_subcommand_from new" -l record -d 'A name to publish; may be repeated' -r
complete -c fingerpost -n "__fish_fingerpost_using_subcommand config; and __fish_seen_subcommand_from new" -l types -d 'The types of each name: A (if not said), AAAA, or A,AAAA' -r
complete -c fingerpost -n "__fish_fingerpost_using_subcommand config; and __fish_seen_subcommand_from new" -l kind -d 'Where the zone lives: a DNS server that takes signed updates (if not said), an HTTP API, a master file on this machine, or what a program of yours reaches' -r -f -a "rfc2136\t''
rest\t''
zonefile\t''
program\t''"
complete -c fingerpost -n "__fish_fingerpost_using_subcommand config; and __fish_seen_subcommand_from new" -l server -d 'For rfc2136 the zone\'s primary, HOST or HOST:PORT; for rest the API\'s https://HOST' -r
complete -c fingerpost -n "__fish_fingerpost_using_subcommand config; and __fish_seen_subcommand_from new" -l software -d 'For rfc2136: what the server is, for the statement that lets the key do what it has to and no more' -r -f -a "bind\t''
knot\t''
powerdns\t''
other\t''"
complete -c fingerpost -n "__fish_fingerpost_using_subcommand config; and __fish_seen_subcommand_from new" -l key -d 'For rfc2136: the key\'s name; after the first record if not said' -r
complete -c fingerpost -n "__fish_fingerpost_using_subcommand config; and __fish_seen_subcommand_from new" -l secret -d 'For rfc2136 and rest: the file that holds the key\'s secret or the API\'s token, or "systemd" (if not said), which hands it over as a credential' -r
complete -c fingerpost -n "__fish_fingerpost_using_subcommand config; and __fish_seen_subcommand_from new" -l file -d 'For zonefile the master file; for rest the API\'s description, providers/record.toml if not said. A relative path starts at the configuration\'s directory' -r
complete -c fingerpost -n "__fish_fingerpost_using_subcommand config; and __fish_seen_subcommand_from new" -l reload -d 'For zonefile: the command that makes the server load the file again, with blanks between its words' -r
complete -c fingerpost -n "__fish_fingerpost_using_subcommand config; and __fish_seen_subcommand_from new" -l program -d 'For program: the program\'s absolute path, and its arguments with blanks between them' -r
complete -c fingerpost -n "__fish_fingerpost_using_subcommand config; and __fish_seen_subcommand_from new" -l witness -d 'A witness: who runs it, and where it is. An echo service as https://HOST/PATH, with #/POINTER where the address stands in JSON (RFC 6901); a STUN server as stun:HOST (RFC 7064); may be repeated' -r
complete -c fingerpost -n "__fish_fingerpost_using_subcommand config; and __fish_seen_subcommand_from new" -l out -d 'Write it there instead of to the file that --config names; "-" is standard output' -r -F
complete -c fingerpost -n "__fish_fingerpost_using_subcommand config; and __fish_seen_subcommand_from new" -l config -d 'The configuration file' -r -F
complete -c fingerpost -n "__fish_fingerpost_using_subcommand config; and __fish_seen_subcommand_from new" -l state-dir -d 'Where state and audit log live, instead of `state_dir` of the configuration' -r -F
complete -c fingerpost -n "__fish_fingerpost_using_subcommand config; and __fish_seen_subcommand_from new" -l router -d 'Ask the home\'s router too'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand config; and __fish_seen_subcommand_from new" -l replace -d 'Write over a file that is there'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand config; and __fish_seen_subcommand_from new" -l json -d 'One JSON document on standard output; logs stay on standard error. Not for `daemon` and `echo`'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand config; and __fish_seen_subcommand_from new" -s v -l verbose -d 'Say more on standard error; twice for even more'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand config; and __fish_seen_subcommand_from new" -s q -l quiet -d 'Say only warnings and errors on standard error'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand config; and __fish_seen_subcommand_from new" -s h -l help -d 'Print help'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand config; and __fish_seen_subcommand_from check" -l config -d 'The configuration file' -r -F
complete -c fingerpost -n "__fish_fingerpost_using_subcommand config; and __fish_seen_subcommand_from check" -l state-dir -d 'Where state and audit log live, instead of `state_dir` of the configuration' -r -F
complete -c fingerpost -n "__fish_fingerpost_using_subcommand config; and __fish_seen_subcommand_from check" -l json -d 'One JSON document on standard output; logs stay on standard error. Not for `daemon` and `echo`'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand config; and __fish_seen_subcommand_from check" -s v -l verbose -d 'Say more on standard error; twice for even more'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand config; and __fish_seen_subcommand_from check" -s q -l quiet -d 'Say only warnings and errors on standard error'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand config; and __fish_seen_subcommand_from check" -s h -l help -d 'Print help'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand config; and __fish_seen_subcommand_from show" -l config -d 'The configuration file' -r -F
complete -c fingerpost -n "__fish_fingerpost_using_subcommand config; and __fish_seen_subcommand_from show" -l state-dir -d 'Where state and audit log live, instead of `state_dir` of the configuration' -r -F
complete -c fingerpost -n "__fish_fingerpost_using_subcommand config; and __fish_seen_subcommand_from show" -l json -d 'One JSON document on standard output; logs stay on standard error. Not for `daemon` and `echo`'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand config; and __fish_seen_subcommand_from show" -s v -l verbose -d 'Say more on standard error; twice for even more'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand config; and __fish_seen_subcommand_from show" -s q -l quiet -d 'Say only warnings and errors on standard error'
complete -c fingerpost -n "__fish_fingerpost_using_subcommand config; and __fish_seen_subcommand_from show" -s h -l help -d 'Print help'
