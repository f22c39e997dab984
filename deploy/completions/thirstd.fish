# Print an optspec for argparse to handle cmd's options that are independent of any subcommand.
function __fish_thirstd_global_optspecs
    string join \n h/help V/version
end

function __fish_thirstd_needs_command
    # Figure out if the current invocation already has a command.
    set -l cmd (commandline -opc)
    set -e cmd[1]
    argparse -s (__fish_thirstd_global_optspecs) -- $cmd 2>/dev/null
    or return
    if set -q argv[1]
        # Also print the command, so this can be used to figure out what it is.
        echo $argv[1]
        return 1
    end
    return 0
end

function __fish_thirstd_using_subcommand
    set -l cmd (__fish_thirstd_needs_command)
    test -z "$cmd"
    and return 1
    contains -- $cmd[1] $argv
end

complete -c thirstd -n "__fish_thirstd_needs_command" -s h -l help -d 'Print help (see more with \'--help\')'
complete -c thirstd -n "__fish_thirstd_needs_command" -s V -l version -d 'Print version'
complete -c thirstd -n "__fish_thirstd_needs_command" -f -a "run" -d 'Run the daemon until it is told to stop (SIGTERM or Ctrl-C)'
complete -c thirstd -n "__fish_thirstd_needs_command" -f -a "check" -d 'Read the configuration and say what it will do, or everything that is wrong with it'
complete -c thirstd -n "__fish_thirstd_needs_command" -f -a "demo" -d 'Watch the job done: invented sites with their weather, a broker and the daemon, some days in ten seconds'
complete -c thirstd -n "__fish_thirstd_needs_command" -f -a "survey" -d 'Find out what a broker\'s sensors send, and write a configuration to start from'
complete -c thirstd -n "__fish_thirstd_needs_command" -f -a "normals" -d 'Make a site\'s climate normals of a public weather history, as a table of the configuration'
complete -c thirstd -n "__fish_thirstd_needs_command" -f -a "decode" -d 'Show what becomes of one message, field by field'
complete -c thirstd -n "__fish_thirstd_needs_command" -f -a "status" -d 'Say what every site does now, and which of them need somebody. Reads the store alone'
complete -c thirstd -n "__fish_thirstd_needs_command" -f -a "visits" -d 'List the sites that need somebody: by when, why, and what to bring. Reads the store alone'
complete -c thirstd -n "__fish_thirstd_needs_command" -f -a "why" -d 'Say why a site did or did not water on a day: decisions, figures, what ran. Reads the store alone'
complete -c thirstd -n "__fish_thirstd_needs_command" -f -a "backup" -d 'Copy the store into a new file while the daemon runs: one moment of it, whole and checked'
complete -c thirstd -n "__fish_thirstd_needs_command" -f -a "restore" -d 'Put a copy made by backup in the store\'s place. Stop the daemon first'
complete -c thirstd -n "__fish_thirstd_using_subcommand run" -l config -d 'The configuration file. Variables THIRSTD__… of the environment overrule it' -r -F
complete -c thirstd -n "__fish_thirstd_using_subcommand run" -l log -d 'How log lines look; else as the configuration says' -r -f -a "text\t''
json\t''"
complete -c thirstd -n "__fish_thirstd_using_subcommand run" -s h -l help -d 'Print help (see more with \'--help\')'
complete -c thirstd -n "__fish_thirstd_using_subcommand check" -l config -d 'The configuration file. Variables THIRSTD__… of the environment overrule it' -r -F
complete -c thirstd -n "__fish_thirstd_using_subcommand check" -s h -l help -d 'Print help'
complete -c thirstd -n "__fish_thirstd_using_subcommand demo" -l seconds -d 'End after so many seconds' -r
complete -c thirstd -n "__fish_thirstd_using_subcommand demo" -l seed -d 'Other seeds give other clouds, noise and lost messages' -r
complete -c thirstd -n "__fish_thirstd_using_subcommand demo" -l pace -d 'Days in a second; 0: as fast as it goes' -r
complete -c thirstd -n "__fish_thirstd_using_subcommand demo" -s h -l help -d 'Print help (see more with \'--help\')'
complete -c thirstd -n "__fish_thirstd_using_subcommand survey" -l broker -d 'The broker to listen on' -r
complete -c thirstd -n "__fish_thirstd_using_subcommand survey" -l recording -d 'A recording (one JSON object a line: at, topic, payload) instead of a broker' -r -F
complete -c thirstd -n "__fish_thirstd_using_subcommand survey" -l user -d 'The user name at the broker' -r
complete -c thirstd -n "__fish_thirstd_using_subcommand survey" -l password-file -d 'The file whose first line is the password' -r -F
complete -c thirstd -n "__fish_thirstd_using_subcommand survey" -l topics -d 'Topics to listen to: MQTT filters, with commas between them' -r
complete -c thirstd -n "__fish_thirstd_using_subcommand survey" -l seconds -d 'How long to listen. Counters, nights and intervals are told better from hours than from a minute' -r
complete -c thirstd -n "__fish_thirstd_using_subcommand survey" -l out -d 'The configuration to write; a file that is there already is not touched' -r -F
complete -c thirstd -n "__fish_thirstd_using_subcommand survey" -l latitude -d 'Of the site, in degrees; south is negative' -r
complete -c thirstd -n "__fish_thirstd_using_subcommand survey" -l longitude -d 'Of the site, in degrees; west is negative' -r
complete -c thirstd -n "__fish_thirstd_using_subcommand survey" -l zone -d 'Of the site, from the IANA list, for example America/Denver' -r
complete -c thirstd -n "__fish_thirstd_using_subcommand survey" -l guesses -d 'Put guesses in force too, instead of writing them as comments. Look at each of them'
complete -c thirstd -n "__fish_thirstd_using_subcommand survey" -s h -l help -d 'Print help'
complete -c thirstd -n "__fish_thirstd_using_subcommand normals" -l latitude -d 'Of the station, in degrees; south is negative. Else as the file says' -r
complete -c thirstd -n "__fish_thirstd_using_subcommand normals" -l longitude -d 'Of the station, in degrees; west is negative. For the title alone' -r
complete -c thirstd -n "__fish_thirstd_using_subcommand normals" -l elevation -d 'Of the station, in meters. Else as the file says, else 0' -r
complete -c thirstd -n "__fish_thirstd_using_subcommand normals" -l from-year -d 'The first year to take; else the last 30 of the history' -r
complete -c thirstd -n "__fish_thirstd_using_subcommand normals" -l until-year -d 'The last year to take; else the history\'s last' -r
complete -c thirstd -n "__fish_thirstd_using_subcommand normals" -l units -d 'Of what people read: depths and temperatures in table and picture' -r -f -a "metric\t''
us\t''"
complete -c thirstd -n "__fish_thirstd_using_subcommand normals" -l id -d 'Write [[normals]] with this id, for the main file: sites share them by normals = "ID"' -r
complete -c thirstd -n "__fish_thirstd_using_subcommand normals" -l out -d 'The file to write; else standard output. A file that is there already is not touched' -r -F
complete -c thirstd -n "__fish_thirstd_using_subcommand normals" -l picture -d 'Draw the year of the place as an SVG picture, too. A file that is there already is not touched' -r -F
complete -c thirstd -n "__fish_thirstd_using_subcommand normals" -l own-file -d 'Write [normals], for a site\'s own file in sites.d, instead of [sites.normals] for the main file'
complete -c thirstd -n "__fish_thirstd_using_subcommand normals" -s h -l help -d 'Print help (see more with \'--help\')'
complete -c thirstd -n "__fish_thirstd_using_subcommand decode" -l config -d 'The configuration file. Variables THIRSTD__… of the environment overrule it' -r -F
complete -c thirstd -n "__fish_thirstd_using_subcommand decode" -l at -d 'When it arrives (RFC 3339), for example 2026-04-01T06:00:00Z; else now' -r
complete -c thirstd -n "__fish_thirstd_using_subcommand decode" -s h -l help -d 'Print help'
complete -c thirstd -n "__fish_thirstd_using_subcommand status" -l config -d 'The configuration file. Variables THIRSTD__… of the environment overrule it' -r -F
complete -c thirstd -n "__fish_thirstd_using_subcommand status" -l site -d 'One site, whole; else all of them' -r
complete -c thirstd -n "__fish_thirstd_using_subcommand status" -l json -d 'As one JSON object, with the payloads as they are published'
complete -c thirstd -n "__fish_thirstd_using_subcommand status" -s h -l help -d 'Print help'
complete -c thirstd -n "__fish_thirstd_using_subcommand visits" -l config -d 'The configuration file. Variables THIRSTD__… of the environment overrule it' -r -F
complete -c thirstd -n "__fish_thirstd_using_subcommand visits" -l audience -d 'Only what is for them to do; else for everybody' -r -f -a "technician\t'Who goes there with tools'
owner\t'Who lives or works at the site'
office\t'Who plans the visits'"
complete -c thirstd -n "__fish_thirstd_using_subcommand visits" -l until -d 'Only visits that are due by the end of this day, such as 2027-06-11; what has no date is left out' -r
complete -c thirstd -n "__fish_thirstd_using_subcommand visits" -l csv -d 'As lines for a spreadsheet, one for each site'
complete -c thirstd -n "__fish_thirstd_using_subcommand visits" -l json -d 'As one JSON object, like the payload that is published'
complete -c thirstd -n "__fish_thirstd_using_subcommand visits" -s h -l help -d 'Print help (see more with \'--help\')'
complete -c thirstd -n "__fish_thirstd_using_subcommand why" -l config -d 'The configuration file. Variables THIRSTD__… of the environment overrule it' -r -F
complete -c thirstd -n "__fish_thirstd_using_subcommand why" -l group -d 'One group of the site' -r
complete -c thirstd -n "__fish_thirstd_using_subcommand why" -l json -d 'As one JSON object, with the payloads as they were published'
complete -c thirstd -n "__fish_thirstd_using_subcommand why" -s h -l help -d 'Print help'
complete -c thirstd -n "__fish_thirstd_using_subcommand backup" -l config -d 'The configuration file. Variables THIRSTD__… of the environment overrule it' -r -F
complete -c thirstd -n "__fish_thirstd_using_subcommand backup" -l to -d 'The file to write. A file that is there already is not touched' -r -F
complete -c thirstd -n "__fish_thirstd_using_subcommand backup" -s h -l help -d 'Print help (see more with \'--help\')'
complete -c thirstd -n "__fish_thirstd_using_subcommand restore" -l config -d 'The configuration file. Variables THIRSTD__… of the environment overrule it' -r -F
complete -c thirstd -n "__fish_thirstd_using_subcommand restore" -l from -d 'The copy' -r -F
complete -c thirstd -n "__fish_thirstd_using_subcommand restore" -s h -l help -d 'Print help (see more with \'--help\')'
